package archive

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"io/fs"
	"strings"

	"example.com/calproof/image/archive/bagit"
)

// chainFile lists the tag manifests of a vehicle's entries in order, in the
// form of `sha256sum -c`. It is written before an entry is renamed into place,
// so that it never lacks one that is there.
const chainFile = "chain-sha256.txt"

// tagManifest is the file of an entry whose hash stands for all of it.
const tagManifest = "tagmanifest-sha256.txt"

// link is one line of a chain.
type link struct {
	entry string // name of the entry's folder
	sum   string // SHA-256 of its tag manifest, hexadecimal
}

func formatChain(chain []link) []byte {
	var out bytes.Buffer
	for _, l := range chain {
		fmt.Fprintf(&out, "%s  %s/%s\n", l.sum, l.entry, tagManifest)
	}
	return out.Bytes()
}

// parseChain reads a chain file. Every byte must be as formatChain writes it,
// numbers counting from 1.
func parseChain(data []byte) ([]link, error) {
	lines, err := bagit.ParseManifest(data, 32)
	if err != nil {
		return nil, err
	}
	chain := make([]link, 0, len(lines))
	for i, l := range lines {
		entry, ok := strings.CutSuffix(l.Path, "/"+tagManifest)
		if n, isEntry := parseEntryName(entry); !ok || !isEntry || n != i+1 {
			return nil, fmt.Errorf("line %d: %.100q is not the tag manifest of entry %d", l.Number, l.Path, i+1)
		}
		chain = append(chain, link{entry: entry, sum: hex.EncodeToString(l.Sum)})
	}
	if !bytes.Equal(data, formatChain(chain)) {
		return nil, fmt.Errorf("is not in the one form we write: lower-case hash, two spaces, path, LF")
	}
	return chain, nil
}

// readChain reads the chain of the vehicle whose folder is fsys.
func readChain(fsys fs.FS) ([]link, error) {
	data, err := readLimited(fsys, chainFile)
	if err != nil {
		return nil, err
	}
	chain, err := parseChain(data)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", chainFile, err)
	}
	return chain, nil
}
