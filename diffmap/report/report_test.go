package report

import (
	"bytes"
	"encoding/json"
	"flag"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image/evidence"
)

var update = flag.Bool("update", false, "write the golden files anew")

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o777))
		require.NoError(t, os.WriteFile(path, got, 0o666))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, strings.ReplaceAll(string(want), "\r\n", "\n"), string(got), "see %s; run with -update if the change is meant", path)
}

func textOf(t require.TestingT, d Data, opts Options) string {
	var b bytes.Buffer
	require.NoError(t, Text(&b, New("0.0.0-test", d), opts))
	return b.String()
}

func jsonOf(t require.TestingT, d Data) []byte {
	var b bytes.Buffer
	require.NoError(t, JSON(&b, New("0.0.0-test", d)))
	return b.Bytes()
}

func TestGolden(t *testing.T) {
	for name, d := range samples() {
		t.Run(name, func(t *testing.T) {
			golden(t, name+".txt", []byte(textOf(t, d, Options{})))
			golden(t, name+".json", jsonOf(t, d))
		})
	}
}

// Lines stay within the width, but for those that say they are never broken.
func TestTextWidth(t *testing.T) {
	unbroken := []string{"sum", "map-check-fault"}
	for name, d := range samples() {
		if slices.Contains(unbroken, name) {
			continue
		}
		for line := range strings.Lines(textOf(t, d, Options{})) {
			assert.LessOrEqual(t, width(strings.TrimSuffix(line, "\n")), 80, "%s: %s", name, line)
		}
	}
}

// Colour adds escapes and nothing else.
func TestColourSaysNoMore(t *testing.T) {
	for name, d := range samples() {
		coloured := textOf(t, d, Options{Colour: true})
		for _, code := range []string{"\x1b[0m", "\x1b[31m", "\x1b[32m", "\x1b[33m", "\x1b[1;31m", "\x1b[1;32m", "\x1b[1;33m"} {
			coloured = strings.ReplaceAll(coloured, code, "")
		}
		assert.Equal(t, textOf(t, d, Options{}), coloured, name)
	}
	assert.Contains(t, textOf(t, samples()["verify-fail"], Options{Colour: true}), "\x1b[1;31mfail:\x1b[0m")
}

const hostile = "a\x1b[2J\x00\u202eb\u200bc\u2028\xff\u009b3m\U000e0041\nfail: d"

// poison puts the hostile string wherever v holds free text. What v points to
// is copied first, for samples share it.
func poison(v reflect.Value) {
	if !v.CanSet() {
		return
	}
	switch v.Kind() {
	case reflect.String:
		if v.Type() == reflect.TypeFor[string]() {
			v.SetString(hostile)
		}
	case reflect.Pointer:
		if !v.IsNil() {
			copied := reflect.New(v.Type().Elem())
			copied.Elem().Set(v.Elem())
			v.Set(copied)
			poison(v.Elem())
		}
	case reflect.Struct:
		for i := range v.NumField() {
			poison(v.Field(i))
		}
	case reflect.Slice:
		if !v.IsNil() {
			copied := reflect.MakeSlice(v.Type(), v.Len(), v.Len())
			reflect.Copy(copied, v)
			v.Set(copied)
		}
		for i := range v.Len() {
			poison(v.Index(i))
		}
	}
}

// No string from an image, a map or a command line reaches a terminal raw.
func TestHostileStrings(t *testing.T) {
	for name, d := range samples() {
		copied := reflect.New(reflect.TypeOf(d)).Elem()
		copied.Set(reflect.ValueOf(d))
		poison(copied)
		d := copied.Interface().(Data)
		if diff, ok := d.(DiffData); ok {
			diff.Listing = "+" + strings.ReplaceAll(hostile, "\n", "") // lines are what a listing is made of
			d = diff
		}
		if inspect, ok := d.(InspectData); ok {
			inspect.Listing = "" // it would be all that is said
			d = inspect
		}
		if diff, ok := d.(MapDiffData); ok {
			diff.Listing = "+" + strings.ReplaceAll(hostile, "\n", "")
			d = diff
		}
		for form, out := range map[string]string{"text": textOf(t, d, Options{}), "json": string(jsonOf(t, d))} {
			require.True(t, utf8.ValidString(out), "%s, %s", name, form)
			for _, r := range out {
				if r != '\n' && !unicode.IsPrint(r) {
					t.Fatalf("%s, %s: raw %U in\n%q", name, form, r, out)
				}
			}
			assert.False(t, strings.Contains(out, "\nfail: d"), "%s, %s: a value starts a line of its own", name, form)
			assert.True(t, strings.Contains(out, "u202e"), "%s, %s: the string does not show", name, form)
		}
	}
}

func TestClean(t *testing.T) {
	for in, want := range map[string]string{
		"plain text, 20 °C µ":  "plain text, 20 °C µ",
		"":                     "",
		"\x1b[31m":             `\x1b[31m`,
		"a\tb\nc\x7f":          `a\x09b\x0ac\x7f`,
		"\u202egnp":            `\u202egnp`,
		"a\u00a0b\u200b\u2028": `a\u00a0b\u200b\u2028`,
		"\u009b":               `\u009b`,
		"\xff\xfe":             `\xff\xfe`,
		"\uFFFD":               "\uFFFD",
		"\U000e0041":           `\U000e0041`,
		"\u3164\ufe0f":         `\u3164\ufe0f`,
		"日本語 é":                "日本語 é",
	} {
		assert.Equal(t, want, Clean(in), "%q", in)
	}
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "s") + string(rapid.SliceOf(rapid.Byte()).Draw(t, "bytes"))
		clean := Clean(s)
		for _, r := range clean {
			if !unicode.IsPrint(r) {
				t.Fatalf("%q gives %q with %U", s, clean, r)
			}
		}
		require.Equal(t, clean, Clean(clean), "cleaning twice is cleaning once")
	})
}

// JSON strings come back as they were: the escapes are JSON's own.
func TestJSONKeepsStrings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "s") + "\u202e\U000e0041\x1b\u2800"
		var got struct{ Data VersionData }
		require.NoError(t, json.Unmarshal(jsonOf(t, VersionData{Version: s}), &got))
		require.Equal(t, s, got.Data.Version)
	})
}

func compiled(t *testing.T) *jsonschema.Schema {
	parsed, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema()))
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	require.NoError(t, c.AddResource("schema.json", parsed))
	compiled, err := c.Compile("schema.json")
	require.NoError(t, err)
	return compiled
}

func TestDocumentsFitSchema(t *testing.T) {
	s := compiled(t)
	for name, d := range samples() {
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(jsonOf(t, d)))
		require.NoError(t, err)
		assert.NoError(t, s.Validate(doc), name)
	}
}

// Every field of every data type is used by a sample, so the schema, which
// allows no other, names them all.
func TestSamplesUseEveryField(t *testing.T) {
	used := map[string]bool{}
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case map[string]any:
			for key, inner := range v {
				used[key] = true
				walk(inner)
			}
		case []any:
			for _, inner := range v {
				walk(inner)
			}
		}
	}
	for _, d := range samples() {
		var doc any
		require.NoError(t, json.Unmarshal(jsonOf(t, d), &doc))
		walk(doc)
	}
	seen := map[reflect.Type]bool{}
	var need func(typ reflect.Type)
	need = func(typ reflect.Type) {
		for typ.Kind() == reflect.Pointer || typ.Kind() == reflect.Slice {
			typ = typ.Elem()
		}
		if typ.Kind() != reflect.Struct || seen[typ] {
			return
		}
		seen[typ] = true
		for i := range typ.NumField() {
			f := typ.Field(i)
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			if !f.IsExported() && !f.Anonymous || name == "-" {
				continue
			}
			if name != "" {
				assert.True(t, used[name], "no sample uses %s of %s", name, typ)
			}
			need(f.Type)
		}
	}
	for _, d := range samples() {
		need(reflect.TypeOf(d))
	}
}

// What stands in the place of a document if a command could not run.
func TestFailure(t *testing.T) {
	schema := compiled(t)
	write := func(f Failure) string {
		var b bytes.Buffer
		require.NoError(t, FailureJSON(&b, f))
		return b.String()
	}
	valid := func(text string) error {
		doc, err := jsonschema.UnmarshalJSON(strings.NewReader(text))
		require.NoError(t, err)
		return schema.Validate(doc)
	}
	text := write(Failure{Version: "1.0.0", Command: "verify", Error: "a.bin: no such file\nand \x1b[31m"})
	assert.Equal(t, `{
  "calproof": "1.0.0",
  "command": "verify",
  "error": "a.bin: no such file\nand \u001b[31m"
}
`, text)
	assert.NoError(t, valid(text))
	assert.NoError(t, valid(write(Failure{Version: "1.0.0", Error: "unknown flag"})), "no command is known")
	assert.Error(t, valid(write(Failure{Version: "1.0.0"})), "no error")
	assert.Error(t, valid(write(Failure{Version: "1.0.0", Command: "verfy", Error: "x"})), "no such command")
	for _, more := range []string{`"verdict": "fail"`, `"findings": []`, `"data": {}`} {
		assert.Error(t, valid(strings.Replace(text, `"error"`, more+`, "error"`, 1)), more)
	}
	whole := string(jsonOf(t, samples()["version"]))
	require.NoError(t, valid(whole))
	assert.Error(t, valid(strings.Replace(whole, `"verdict"`, `"error": "x", "verdict"`, 1)), "an error beside a verdict")
}

// The schema refuses what scripts must be able to rely on.
func TestSchemaRefuses(t *testing.T) {
	s := compiled(t)
	at := func(doc map[string]any, path ...string) map[string]any {
		for _, key := range path {
			if list, ok := doc[key].([]any); ok {
				doc = list[0].(map[string]any)
			} else {
				doc = doc[key].(map[string]any)
			}
		}
		return doc
	}
	for _, c := range []struct {
		name, sample string
		spoil        func(doc map[string]any)
	}{
		{"findings null", "sum", func(d map[string]any) { d["findings"] = nil }},
		{"no findings", "sum", func(d map[string]any) { delete(d, "findings") }},
		{"no verdict", "sum", func(d map[string]any) { delete(d, "verdict") }},
		{"unknown verdict", "sum", func(d map[string]any) { d["verdict"] = "maybe" }},
		{"unknown command", "sum", func(d map[string]any) { d["command"] = "flash" }},
		{"data of another command", "sum", func(d map[string]any) { d["command"] = "diff" }},
		{"unknown member", "sum", func(d map[string]any) { d["extra"] = 1 }},
		{"value without 0x", "sum", func(d map[string]any) { at(d, "data")["value"] = "CBF43926" }},
		{"address as string", "inspect", func(d map[string]any) { at(d, "data", "segments")["start"] = "0x0" }},
		{"address with a fraction", "inspect", func(d map[string]any) { at(d, "data", "segments")["start"] = json.Number("1.5") }},
		{"negative size", "inspect", func(d map[string]any) { at(d, "data", "segments")["size"] = json.Number("-1") }},
		{"address above 64 bits", "inspect", func(d map[string]any) { at(d, "data", "segments")["start"] = json.Number("18446744073709551616") }},
		{"unknown severity", "agree", func(d map[string]any) { at(d, "findings")["severity"] = "bad" }},
		{"finding without code", "agree", func(d map[string]any) { delete(at(d, "findings"), "code") }},
		{"cell value as string", "inspect", func(d map[string]any) { at(d, "data", "tables", "cells")["value"] = "1200" }},
		{"condition without evidence", "gate", func(d map[string]any) { at(d, "data", "conditions")["evidence"] = []any{} }},
		{"gate without the caution", "gate", func(d map[string]any) { at(d, "data")["cautions"] = []any{} }},
	} {
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(jsonOf(t, samples()[c.sample])))
		require.NoError(t, err)
		require.NoError(t, s.Validate(doc), c.name)
		c.spoil(doc.(map[string]any))
		assert.Error(t, s.Validate(doc), c.name)
	}
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(
		`{"calproof":"1","command":"inspect","verdict":"pass","findings":[],"data":{"file":"f","file_size":1,"format":"raw","size":1,"segments":[{"start":18446744073709551615,"size":1}],"gaps":[]}}`))
	require.NoError(t, err)
	assert.NoError(t, s.Validate(doc), "the highest address")
}

// Every command with a data type is in the schema, and no other.
func TestSchemaCommands(t *testing.T) {
	var parsed struct {
		Properties struct{ Command struct{ Enum []string } }
	}
	require.NoError(t, json.Unmarshal(Schema(), &parsed))
	commands := map[string]bool{}
	for _, d := range samples() {
		commands[d.Command()] = true
	}
	assert.ElementsMatch(t, slices.Collect(maps.Keys(commands)), parsed.Properties.Command.Enum)
}

func TestNewNeverHasNilFindings(t *testing.T) {
	for name, d := range samples() {
		assert.NotNil(t, New("1", d).Findings, name)
		assert.Contains(t, []evidence.Verdict{evidence.Pass, evidence.Fail, evidence.Unproven}, New("1", d).Verdict, name)
	}
}
