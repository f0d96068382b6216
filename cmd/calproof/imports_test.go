package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const module = "example.com/calproof"

// listed is what `go list -json` tells about a package.
type listed struct {
	ImportPath string
	Name       string
	Dir        string
	Imports    []string
	GoFiles    []string
	Module     *struct {
		Path, Version, Dir string
		Main               bool
	}
}

// goList runs `go list` in this folder.
func goList(t testing.TB, args ...string) []listed {
	t.Helper()
	cmd := exec.Command("go", append([]string{"list", "-json=ImportPath,Name,Dir,Imports,GoFiles,Module"}, args...)...)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	require.NoError(t, err, stderr.String())
	var pkgs []listed
	dec := json.NewDecoder(bytes.NewReader(out))
	for {
		var p listed
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return pkgs
		}
		require.NoError(t, err)
		pkgs = append(pkgs, p)
	}
}

// allowed says which packages of this module a room may import; a name that
// ends in "/..." allows what is below it too. A package of its own below a room
// (image/archive/bagit) may import what the room may, and they may import one
// another.
//
//	cmd -> diffmap/report -> diffmap -> image/readcheck -> maps -> checksum, image
func allowed() map[string][]string {
	return map[string][]string{
		"checksum":        {},
		"image":           {},
		"image/vin":       {},
		"image/safefile":  {},
		"image/evidence":  {"image"},
		"image/imagetest": {"image", "image/evidence"},
		"image/archive":   {"image", "image/evidence", "image/safefile", "image/vin"},
		"maps":            {"checksum", "image", "image/evidence", "image/vin"},
		"maps/demo":       {"image", "maps"},
		"image/readcheck": {"checksum", "image", "image/evidence", "image/vin", "maps"},
		"diffmap":         {"checksum", "image", "image/evidence", "image/readcheck", "maps"},
		"diffmap/keeping": {"checksum", "image", "image/archive", "image/archive/bagit", "image/evidence", "image/readcheck", "maps", "diffmap"},
		"diffmap/report":  {"checksum", "image", "image/archive", "image/evidence", "image/readcheck", "maps", "diffmap", "diffmap/edits", "diffmap/keeping"},
		"cmd":             {"checksum/...", "diffmap/...", "image/...", "maps/..."},
	}
}

// arrow reports whether the package at from may import the one at to.
func arrow(from, to string) bool {
	rooms := allowed()
	room := from
	for rooms[room] == nil {
		if room = path.Dir(room); room == "." {
			return false
		}
	}
	ours := func(p string) bool { // whether p is the room or below it, and no room of its own
		return (p == room || strings.HasPrefix(p, room+"/")) && (p == room || rooms[p] == nil)
	}
	return ours(to) || mayImport(rooms[room], to)
}

func mayImport(rules []string, path string) bool {
	return slices.ContainsFunc(rules, func(rule string) bool {
		if below, ok := strings.CutSuffix(rule, "/..."); ok {
			return path == below || strings.HasPrefix(path, below+"/")
		}
		return path == rule
	})
}

// TestArrows holds every import between our packages against [allowed].
func TestArrows(t *testing.T) {
	all := goList(t, module+"/...")
	require.Greater(t, len(all), len(allowed()))
	for _, p := range all {
		from := strings.TrimPrefix(p.ImportPath, module+"/")
		if p.Name == "main" && !strings.HasPrefix(from, "cmd/") { // a tool inside a room, which nobody can import
			continue
		}
		for _, imported := range p.Imports {
			if to, ours := strings.CutPrefix(imported, module+"/"); ours {
				assert.True(t, arrow(from, to), "%s imports %s; the arrows do not allow it", from, to)
			}
		}
	}
}

func TestArrowsCanFail(t *testing.T) {
	for _, bad := range [][2]string{
		{"image", "maps"}, {"maps", "diffmap"}, {"checksum", "image"}, {"image", "image/evidence"},
		{"image/archive", "maps"}, {"image/archive/bagit", "diffmap"}, {"image/evidence", "maps"}, {"unknown", "image"},
	} {
		assert.False(t, arrow(bad[0], bad[1]), bad)
	}
	for _, good := range [][2]string{
		{"checksum", "checksum/internal/engine"}, {"checksum/internal/gen", "checksum"}, {"image/archive", "image/archive/bagit"},
		{"cmd/calproof", "image/archive/bagit"}, {"diffmap/edits", "maps"},
	} {
		assert.True(t, arrow(good[0], good[1]), good)
	}
}

// TestLibrariesAreQuiet proves that no library imports cobra or flag, prints,
// exits or reads the command line.
func TestLibrariesAreQuiet(t *testing.T) {
	for _, p := range goList(t, module+"/...") {
		if p.Name == "main" { // the program, and generators
			continue
		}
		for _, path := range p.Imports {
			assert.NotContains(t, []string{"flag", "log", "log/slog", "github.com/spf13/cobra", "github.com/spf13/pflag"}, path,
				"%s is a library", p.ImportPath)
		}
		for _, name := range p.GoFiles {
			path := filepath.Join(p.Dir, name)
			fset := token.NewFileSet()
			file, err := parser.ParseFile(fset, path, nil, parser.SkipObjectResolution)
			require.NoError(t, err)
			for _, found := range loudCalls(file) {
				t.Errorf("%s: %s: a library never prints, exits or reads the command line", fset.Position(found.Pos()), p.ImportPath)
			}
		}
	}
}

// loudCalls finds uses of the process's streams, exit and arguments.
func loudCalls(file *ast.File) []ast.Node {
	loud := map[string][]string{
		"fmt": {"Print", "Printf", "Println", "Scan", "Scanf", "Scanln"},
		"os":  {"Exit", "Args", "Stdin", "Stdout", "Stderr"},
	}
	var found []ast.Node
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.SelectorExpr:
			if pkg, ok := n.X.(*ast.Ident); ok && slices.Contains(loud[pkg.Name], n.Sel.Name) {
				found = append(found, n)
			}
		case *ast.CallExpr:
			if fn, ok := n.Fun.(*ast.Ident); ok && (fn.Name == "print" || fn.Name == "println") {
				found = append(found, n)
			}
		}
		return true
	})
	return found
}

func TestLoudCallsCanFail(t *testing.T) {
	const source = `package p
import ("fmt"; "os")
func f() { fmt.Println("x"); os.Exit(1); println("y"); fmt.Fprintln(w, "fine") }`
	file, err := parser.ParseFile(token.NewFileSet(), "p.go", source, parser.SkipObjectResolution)
	require.NoError(t, err)
	assert.Len(t, loudCalls(file), 3)
}

// TestKeptOut proves that heavy or test-only modules are not linked into the
// program.
func TestKeptOut(t *testing.T) {
	deps := goList(t, "-deps", module+"/cmd/calproof")
	require.Greater(t, len(deps), 50)
	for _, p := range deps {
		if p.Module == nil {
			continue
		}
		for _, heavy := range []string{
			"github.com/chromedp/", "gocloud.dev", "github.com/stretchr/", "github.com/rogpeppe/go-internal/testscript",
			"pgregory.net/rapid", "github.com/santhosh-tekuri/",
		} {
			assert.False(t, strings.HasPrefix(p.ImportPath, heavy), "%s is linked into the program", p.ImportPath)
		}
	}
}
