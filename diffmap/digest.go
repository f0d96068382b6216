package diffmap

import (
	"crypto/sha256"
	"encoding/hex"
	"hash"

	"example.com/calproof/maps"
)

// digest is the SHA-256 of a file that takes part in a pass over its image.
type digest struct{ hash hash.Hash }

// of lets the file of p be hashed, unless the image has none.
func (d *digest) of(p *maps.Pass) {
	if p.Bound.Opened().File() != nil {
		d.hash = sha256.New()
		p.File = d.hash
	}
}

// String returns the hash in lower-case hexadecimal, "" for none.
func (d *digest) String() string {
	if d.hash == nil {
		return ""
	}
	return hex.EncodeToString(d.hash.Sum(nil))
}
