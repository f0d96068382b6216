package maps

import (
	"bytes"
	"encoding/json"
	"flag"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/invopop/jsonschema"
	"github.com/pelletier/go-toml/v2"
	schemacheck "github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
)

var update = flag.Bool("update", false, "write schema.json anew from the types")

// hexString is the form of a number above what a TOML integer holds.
func hexString() *jsonschema.Schema {
	return &jsonschema.Schema{Type: "string", Pattern: "^0x[0-9A-Fa-f]+$"}
}

func number(max string) *jsonschema.Schema {
	return &jsonschema.Schema{AnyOf: []*jsonschema.Schema{
		{Type: "integer", Minimum: "0", Maximum: json.Number(max)}, hexString()}}
}

func rangeString() *jsonschema.Schema {
	const n = `(0x[0-9A-Fa-f_]+|0o[0-7_]+|0b[01_]+|[0-9_]+)`
	return &jsonschema.Schema{Type: "string", Pattern: `^\s*` + n + `\s*[-+]\s*` + n + `\s*$`}
}

func anyOf(s ...*jsonschema.Schema) *jsonschema.Schema { return &jsonschema.Schema{AnyOf: s} }

func ref(name string) *jsonschema.Schema { return &jsonschema.Schema{Ref: "#/$defs/" + name} }

func list(s *jsonschema.Schema) *jsonschema.Schema {
	return &jsonschema.Schema{Type: "array", Items: s}
}

// mapper gives the schema of the types that read themselves from TOML.
func mapper(t reflect.Type) *jsonschema.Schema {
	if e, ok := reflect.New(t).Elem().Interface().(enum); ok {
		s := &jsonschema.Schema{Type: "string"}
		for _, v := range e.values() {
			s.Enum = append(s.Enum, v)
		}
		return s
	}
	byteValue := &jsonschema.Schema{Type: "integer", Minimum: "0", Maximum: "255"}
	switch t {
	case rangeType:
		return rangeString()
	case reflect.TypeFor[[]image.Range]():
		return anyOf(rangeString(), list(rangeString()))
	case reflect.TypeFor[uint64](), reflect.TypeFor[Constant]():
		return number("9223372036854775807")
	case reflect.TypeFor[uint8]():
		return number("255")
	case reflect.TypeFor[Number]():
		return anyOf(number("9223372036854775807"), ref("ReadNumber"))
	case reflect.TypeFor[Gaps]():
		return anyOf(&jsonschema.Schema{Type: "string", Enum: []any{"error", "skip"}}, byteValue)
	case reflect.TypeFor[[]byte]():
		return anyOf(byteValue, &jsonschema.Schema{Type: "string", Pattern: "^([ _]*[0-9A-Fa-f]){2,}[ _]*$"}, list(byteValue))
	case coverType:
		return ref("Cover")
	case reflect.TypeFor[[]Cover]():
		return anyOf(ref("Cover"), list(ref("Cover")))
	}
	return nil
}

// generate makes the schema from the types and the comments in this folder.
func generate(t *testing.T) []byte {
	r := &jsonschema.Reflector{FieldNameTag: "toml", RequiredFromJSONSchemaTags: true, ExpandedStruct: true, Anonymous: true, Mapper: mapper}
	require.NoError(t, r.AddGoComments("example.com/calproof/maps", "./", jsonschema.WithFullComment()))
	comments := map[string]string{}
	for key, text := range r.CommentMap {
		comments[strings.TrimPrefix(key, "example.com/calproof/maps.")] = strings.ReplaceAll(text, "\n", " ")
	}
	r.CommentMap = nil
	r.LookupComment = func(typ reflect.Type, field string) string {
		name := strings.Replace(typ.Name(), "coverTable", "Cover", 1)
		if field == "" { // a type's comment speaks to Go programmers, its fields' to users of the language
			return ""
		}
		return comments[name+"."+field]
	}
	s := r.Reflect(&Map{})
	table := r.Reflect(&coverTable{})
	for name, def := range table.Definitions {
		s.Definitions[name] = def
	}
	table.Definitions, table.Version = nil, ""
	s.Definitions["Cover"] = anyOf(rangeString(), table)
	s.Title = "calproof region map"
	out, err := json.MarshalIndent(s, "", "  ")
	require.NoError(t, err)
	return append(out, '\n')
}

func TestSchemaIsUpToDate(t *testing.T) {
	want := generate(t)
	if *update {
		require.NoError(t, os.WriteFile("schema.json", want, 0o644))
	}
	got, err := os.ReadFile("schema.json")
	require.NoError(t, err)
	got = bytes.ReplaceAll(got, []byte("\r\n"), []byte("\n")) // a checkout on Windows may have them
	require.Equal(t, string(want), string(got), "run: go test ./maps -run TestSchemaIsUpToDate -update")
}

// TestSchemaDescribesEverything makes sure that an editor has something to say
// about every key.
func TestSchemaDescribesEverything(t *testing.T) {
	var doc map[string]any
	require.NoError(t, json.Unmarshal(Schema(), &doc))
	keys := 0
	var walk func(path string, v any)
	walk = func(path string, v any) {
		switch v := v.(type) {
		case map[string]any:
			if props, ok := v["properties"].(map[string]any); ok {
				for name, p := range props {
					keys++
					assert.NotEmpty(t, p.(map[string]any)["description"], "%s.%s has no description", path, name)
				}
			}
			for k, x := range v {
				walk(path+"/"+k, x)
			}
		case []any:
			for _, x := range v {
				walk(path, x)
			}
		}
	}
	walk("", doc)
	require.Greater(t, keys, 80)
}

func compiled(t *testing.T) *schemacheck.Schema {
	doc, err := schemacheck.UnmarshalJSON(bytes.NewReader(Schema()))
	require.NoError(t, err)
	c := schemacheck.NewCompiler()
	require.NoError(t, c.AddResource("map.json", doc))
	s, err := c.Compile("map.json")
	require.NoError(t, err)
	return s
}

// document turns TOML into what a JSON Schema validator reads.
func document(t *testing.T, data []byte) any {
	var v any
	require.NoError(t, toml.Unmarshal(data, &v))
	text, err := json.Marshal(v)
	require.NoError(t, err)
	doc, err := schemacheck.UnmarshalJSON(bytes.NewReader(text))
	require.NoError(t, err)
	return doc
}

// goodMaps returns the maps of this folder that have no mistakes.
func goodMaps(t testing.TB) []string {
	var files []string
	require.NoError(t, filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err == nil && strings.HasSuffix(path, ".toml") && !strings.Contains(filepath.ToSlash(path), "testdata/bad/") {
			files = append(files, path)
		}
		return err
	}))
	require.GreaterOrEqual(t, len(files), 8)
	return files
}

func TestSchemaAcceptsGoodMaps(t *testing.T) {
	s := compiled(t)
	for _, file := range goodMaps(t) {
		data, err := os.ReadFile(file)
		require.NoError(t, err)
		assert.NoError(t, s.Validate(document(t, data)), file)
		_, err = Parse(file, data)
		assert.NoError(t, err)
	}
}

func TestSchemaRefusesBrokenMaps(t *testing.T) {
	s := compiled(t)
	good, err := os.ReadFile("testdata/skeleton.toml")
	require.NoError(t, err)
	for _, c := range []struct{ name, old, new string }{
		{"unknown key", "title  =", "titel  ="},
		{"missing key", `role  = "calibration"`, ""},
		{"unknown role", `"calibration"`, `"calibraton"`},
		{"unknown cell type", `"u16"`, `"u12"`},
		{"text for a number", "size       = 0x80000", `size = "large"`},
		{"number for a range", `range = "0x70000-0x7FFFF"`, "range = 0x70000"},
		{"a range without an end", `"0x70000-0x7FFFF"`, `"0x70000"`},
		{"byte too large", "0xFF\n", "0x1FF\n"},
		{"unknown key in a field", `byte_order = "little"`, `byte_oder = "little"`},
	} {
		broken := strings.Replace(string(good), c.old, c.new, 1)
		require.NotEqual(t, string(good), broken, c.name)
		assert.Error(t, s.Validate(document(t, []byte(broken))), c.name)
		_, err := Parse("broken", []byte(broken))
		assert.Error(t, err, "the schema refuses what Parse accepts: %s", c.name)
	}
}
