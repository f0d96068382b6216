package main

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"example.com/calproof/diffmap/report"
	"example.com/calproof/maps/demo"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"calproof": main})
}

// TestScripts runs testdata/script/*.txtar, one for each behaviour. Beside the
// commands of testscript a script can use those of [scriptCommands].
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 filepath.Join("testdata", "script"),
		Cmds:                scriptCommands(),
		Setup:               setupScript,
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		UpdateScripts:       os.Getenv("CALPROOF_UPDATE") == "1",
	})
}

// setupScript keeps the reader's environment out of the scripts and tells them
// where the shared test data is.
func setupScript(env *testscript.Env) error {
	data, err := filepath.Abs(filepath.Join(root, "testdata"))
	if err != nil {
		return err
	}
	env.Setenv("TESTDATA", data)
	env.Setenv("NO_COLOR", "")
	return nil
}

// scriptCommands are the commands that our scripts need:
//
//	demo DIR             writes the demo scenario
//	bytes FILE HEX...    writes a file from hex text; "FF*16" repeats a byte
//	flip FILE ADDR MASK  changes the byte at a file offset by XOR with MASK;
//	                     FILE may be a pattern that one file answers to
//	sub FILE OLD NEW     replaces a text that occurs once in a file
//	exits CODE CMD...    runs a program and demands this exit code; with --json
//	                     also that stdout is a document of our schema, with an
//	                     error if, and only if, the code is 2
//	json PATH VALUE      demands a value in the JSON document on stdout: the
//	                     path is dotted (data.segments.0.start), len is the length
func scriptCommands() map[string]func(*testscript.TestScript, bool, []string) {
	return map[string]func(*testscript.TestScript, bool, []string){
		"demo":  scriptDemo,
		"bytes": scriptBytes,
		"fault": scriptFault,
		"flip":  scriptFlip,
		"sub":   scriptSub,
		"exits": scriptExits,
		"json":  scriptJSON,
	}
}

// demoFiles makes the scenario once for all tests, which only read it.
var demoFiles = sync.OnceValues(demo.Files)

func scriptDemo(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: demo DIR")
	}
	files, err := demoFiles()
	ts.Check(err)
	ts.Check(os.MkdirAll(ts.MkAbs(args[0]), 0o777))
	for _, f := range files {
		ts.Check(os.WriteFile(filepath.Join(ts.MkAbs(args[0]), f.Name), f.Data, 0o666))
	}
}

func scriptBytes(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: bytes FILE HEX...")
	}
	var data []byte
	for _, a := range args[1:] {
		digits, times, _ := strings.Cut(a, "*")
		n := 1
		if times != "" {
			v, err := strconv.ParseUint(times, 0, 24)
			ts.Check(err)
			n = int(v)
		}
		b, err := hex.DecodeString(digits)
		ts.Check(err)
		data = append(data, []byte(strings.Repeat(string(b), n))...)
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), data, 0o666))
}

func scriptFlip(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: flip FILE ADDR MASK")
	}
	at, err := strconv.ParseUint(args[1], 0, 32)
	ts.Check(err)
	mask, err := strconv.ParseUint(args[2], 0, 8)
	ts.Check(err)
	files, err := filepath.Glob(ts.MkAbs(args[0]))
	ts.Check(err)
	if len(files) != 1 {
		ts.Fatalf("flip: %d files answer to %s", len(files), args[0])
	}
	data, err := os.ReadFile(files[0])
	ts.Check(err)
	if at >= uint64(len(data)) || mask == 0 {
		ts.Fatalf("flip: nothing to change at %#x of %d bytes", at, len(data))
	}
	data[at] ^= byte(mask)
	ts.Check(os.Chmod(files[0], 0o666)) // an archive's files are read-only
	ts.Check(os.WriteFile(files[0], data, 0o666))
}

func scriptSub(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: sub FILE OLD NEW")
	}
	text := ts.ReadFile(args[0])
	if n := strings.Count(text, args[1]); n != 1 {
		ts.Fatalf("sub: %q occurs %d times in %s", args[1], n, args[0])
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(strings.Replace(text, args[1], args[2], 1)), 0o666))
}

func scriptExits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE CMD...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		exit, ok := errors.AsType[*exec.ExitError](err)
		if !ok {
			ts.Fatalf("%v", err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("exit code %d, want %d", got, want)
	}
	if wantsJSON(args[2:]) {
		doc, err := jsonschema.UnmarshalJSON(strings.NewReader(ts.ReadFile("stdout")))
		ts.Check(err)
		ts.Check(documentSchema().Validate(doc))
		if _, failed := doc.(map[string]any)["error"]; failed != (got == exitCouldNotRun) {
			ts.Fatalf("exit code %d, and the document has an error: %v", got, failed)
		}
	}
}

// documentSchema is the schema that every JSON document follows.
var documentSchema = sync.OnceValue(func() *jsonschema.Schema {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(report.Schema()))
	if err != nil {
		panic(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("document.json", doc); err != nil {
		panic(err)
	}
	return c.MustCompile("document.json")
})

func scriptJSON(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: json PATH VALUE")
	}
	var doc any
	dec := json.NewDecoder(strings.NewReader(ts.ReadFile("stdout")))
	dec.UseNumber()
	ts.Check(dec.Decode(&doc))
	if dec.More() {
		ts.Fatalf("more than one JSON document on stdout")
	}
	got, err := jsonAt(doc, args[0])
	if err != nil {
		if neg {
			return
		}
		ts.Fatalf("%v", err)
	}
	if (got == args[1]) == neg {
		ts.Fatalf("%s is %s", args[0], got)
	}
}

// jsonAt returns the value at a dotted path as text.
func jsonAt(doc any, path string) (string, error) {
	for _, step := range strings.Split(path, ".") {
		switch v := doc.(type) {
		case map[string]any:
			next, ok := v[step]
			if !ok {
				return "", fmt.Errorf("%s: there is no %q", path, step)
			}
			doc = next
		case []any:
			if step == "len" {
				doc = json.Number(strconv.Itoa(len(v)))
				continue
			}
			i, err := strconv.Atoi(step)
			if err != nil || i < 0 || i >= len(v) {
				return "", fmt.Errorf("%s: no element %q of %d", path, step, len(v))
			}
			doc = v[i]
		default:
			return "", fmt.Errorf("%s: nothing below %q", path, step)
		}
	}
	switch v := doc.(type) {
	case string:
		return v, nil
	case json.Number:
		return v.String(), nil
	case bool:
		return strconv.FormatBool(v), nil
	}
	b, err := json.Marshal(doc)
	return string(b), err
}
