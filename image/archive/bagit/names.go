package bagit

import (
	"fmt"
	"path"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// Limits on names, so that an entry can be copied to any file system. 255
// bytes is what most file systems take for one name; Windows takes 260
// characters for a whole path without special measures, of which these leave
// room for the place of the archive.
const (
	MaxElement = 100 // bytes of one file or folder name
	MaxPath    = 200 // bytes of a path inside a bag
)

// isReserved reports whether Windows takes name for a device, with any
// extension ("nul.bin") and in any case. Source: Microsoft, "Naming Files,
// Paths, and Namespaces".
func isReserved(name string) bool {
	stem, _, _ := strings.Cut(strings.ToLower(name), ".")
	stem = strings.TrimRight(stem, " ")
	switch stem {
	case "con", "prn", "aux", "nul", "conin$", "conout$":
		return true
	}
	port, isCom := strings.CutPrefix(stem, "com")
	port, isLpt := strings.CutPrefix(port, "lpt")
	return isCom != isLpt && utf8.RuneCountInString(port) == 1 && strings.ContainsAny(port, "0123456789¹²³")
}

// forbiddenRune reports whether c may not stand in a name: what Windows
// refuses, what BagIt writes encoded (% CR LF), backslash, and everything that
// cannot be seen.
func forbiddenRune(c rune) bool {
	return c == utf8.RuneError || strings.ContainsRune(`<>:"/\|?*%`, c) || !(unicode.IsGraphic(c) && (c == ' ' || !unicode.IsSpace(c)))
}

// CheckElement returns why name cannot be the name of one file or folder on
// every file system, or nil.
func CheckElement(name string) error {
	switch {
	case name == "":
		return fmt.Errorf("name is empty")
	case name == "." || name == "..":
		return fmt.Errorf("name %q points to a folder of its own", name)
	case !utf8.ValidString(name):
		return fmt.Errorf("name %q is not UTF-8", name)
	case len(name) > MaxElement:
		return fmt.Errorf("name %.40q... has %d bytes, more than %d", name, len(name), MaxElement)
	case !norm.NFC.IsNormalString(name):
		return fmt.Errorf("name %q is not in Unicode normal form C", name)
	case isReserved(name):
		return fmt.Errorf("name %q is a device on Windows", name)
	case strings.HasSuffix(name, ".") || strings.HasSuffix(name, " "):
		return fmt.Errorf("name %q ends in a dot or a space, which Windows drops", name)
	case strings.HasPrefix(name, " "):
		return fmt.Errorf("name %q begins with a space", name)
	}
	if i := strings.IndexFunc(name, forbiddenRune); i >= 0 {
		c, _ := utf8.DecodeRuneInString(name[i:])
		return fmt.Errorf("name %q holds %q", name, c)
	}
	return nil
}

// CheckPath returns why p, with forward slashes, cannot be the path of a file
// in a bag on every file system, or nil.
func CheckPath(p string) error {
	if len(p) > MaxPath {
		return fmt.Errorf("path %.40q... has %d bytes, more than %d", p, len(p), MaxPath)
	}
	for element := range strings.SplitSeq(p, "/") {
		if err := CheckElement(element); err != nil {
			return err
		}
	}
	return nil
}

// SafeElement returns the name nearest to name that [CheckElement] takes:
// forbidden characters become "_", the stem is shortened and the extension
// kept. A name of which nothing is left becomes fallback.
func SafeElement(name, fallback string) string {
	name = norm.NFC.String(strings.ToValidUTF8(name, "_"))
	name = strings.Map(func(c rune) rune {
		if forbiddenRune(c) {
			return '_'
		}
		return c
	}, name)
	ext := path.Ext(name)
	if len(ext) > MaxElement/2 || ext == "." {
		ext = ""
	}
	stem := strings.TrimSuffix(name, ext)
	for len(stem) > MaxElement-len(ext)-1 { // 1 for the underscore of a device name
		_, size := utf8.DecodeLastRuneInString(stem)
		stem = stem[:len(stem)-size]
	}
	name = strings.TrimRight(strings.TrimLeft(stem+ext, " "), " .")
	if isReserved(name) {
		name = "_" + name
	}
	if CheckElement(name) != nil {
		return fallback
	}
	return name
}

// CollisionKey returns a text that is equal for names which some file system
// takes for the same: names that differ in case or Unicode normalisation only.
func CollisionKey(name string) string {
	ascii := true
	for i := 0; i < len(name); i++ {
		if name[i] >= utf8.RuneSelf {
			ascii = false
			break
		}
	}
	if ascii {
		return strings.ToLower(name)
	}
	// Folding can undo normal form C, hence a second time.
	return norm.NFC.String(cases.Fold().String(norm.NFC.String(name)))
}
