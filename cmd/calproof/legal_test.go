package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// licenceOf names the licence whose text a module carries.
func licenceOf(dir string) (string, error) {
	var text string
	for _, name := range []string{"LICENSE", "LICENSE.txt", "LICENSE.md", "LICENCE", "COPYING", "UNLICENSE"} {
		if b, err := os.ReadFile(filepath.Join(dir, name)); err == nil {
			text = strings.Join(strings.Fields(string(b)), " ")
			break
		}
	}
	has := func(phrase string) bool { return strings.Contains(text, phrase) }
	switch {
	case has("Apache License Version 2.0, January 2004"):
		return "Apache-2.0", nil
	case has("Redistributions in binary form") && has("Neither the name"):
		return "BSD-3-Clause", nil
	case has("Redistributions in binary form"):
		return "BSD-2-Clause", nil
	case has("Mozilla Public License Version 2.0"):
		return "MPL-2.0", nil
	case has("Permission is hereby granted, free of charge"):
		return "MIT", nil
	case has("This is free and unencumbered software released into the public domain"):
		return "Unlicense", nil
	}
	return "", fmt.Errorf("%s: no licence text that is known here", dir)
}

// TestLicences holds the list in LEGAL.md against the modules that are linked
// for the three systems. With CALPROOF_UPDATE=1 it rewrites the list.
func TestLicences(t *testing.T) {
	rows := map[string]string{}
	for _, goos := range []string{"linux", "darwin", "windows"} {
		t.Setenv("GOOS", goos)
		for _, p := range goList(t, "-deps", module+"/cmd/calproof") {
			if p.Module == nil || p.Module.Main {
				continue
			}
			licence, err := licenceOf(p.Module.Dir)
			require.NoError(t, err)
			rows[p.Module.Path] = fmt.Sprintf("| %s | %s | %s |", p.Module.Path, p.Module.Version, licence)
		}
	}
	var lines []string
	for _, row := range rows {
		lines = append(lines, row)
	}
	slices.Sort(lines)
	table := "\n| module | version | licence |\n| --- | --- | --- |\n" + strings.Join(lines, "\n") + "\n\n"

	const begin, end = "<!-- linked modules -->\n", "<!-- end of linked modules -->"
	path := filepath.Join("..", "..", "LEGAL.md")
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	head, rest, ok := strings.Cut(strings.ReplaceAll(string(raw), "\r\n", "\n"), begin)
	require.True(t, ok)
	listed, tail, ok := strings.Cut(rest, end)
	require.True(t, ok)
	if os.Getenv("CALPROOF_UPDATE") == "1" {
		require.NoError(t, os.WriteFile(path, []byte(head+begin+table+end+tail), 0o666))
		return
	}
	assert.Equal(t, table, listed, "LEGAL.md lists other modules than are linked; CALPROOF_UPDATE=1 rewrites it")
}
