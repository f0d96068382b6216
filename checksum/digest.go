package checksum

import (
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha256"
	"crypto/sha512"
	"hash"
)

// digest is a cryptographic hash of the standard library. Nothing about a
// message can be computed from the digest of a part.
type digest struct{ make func() hash.Hash }

func digests() []Algorithm {
	var list []Algorithm
	for _, d := range []struct {
		name, alias string
		width       int
		source      string
		note        string
		make        func() hash.Hash
	}{
		{"SHA-256", "SHA256", 256, "FIPS 180-4", "", sha256.New},
		{"SHA-512", "SHA512", 512, "FIPS 180-4", "", sha512.New},
		{"SHA-1", "SHA1", 160, "FIPS 180-4", "different messages of one SHA-1 can be made: proof against accidents only", sha1.New},
		{"MD5", "MD-5", 128, "RFC 1321", "different messages of one MD5 can be made: proof against accidents only", md5.New},
	} {
		list = append(list, Algorithm{&definition{
			name: d.name, aliases: []string{d.alias}, family: FamilyDigest, width: d.width,
			source: d.source, note: d.note, parameters: "cryptographic hash", rule: digest{d.make},
		}})
	}
	return list
}

func (d digest) newHash() Hash { return &digestHash{d.make()} }

func (d digest) checksum(data []byte) Value {
	h := d.newHash()
	h.Write(data)
	return h.Value()
}

func (digest) resume(Value) (Hash, error) {
	return nil, cannot("a digest does not tell its state")
}

func (digest) combine(Value, Value, uint64) (Value, error) {
	return Value{}, cannot("digests cannot be combined")
}

func (digest) appendRun(Value, byte, uint64) (Value, error) {
	return Value{}, cannot("a digest does not tell its state")
}

func (digest) patched(Value, uint64, uint64, []byte, []byte) (Value, error) {
	return Value{}, cannot("a digest does not tell what a patch changes")
}

type digestHash struct{ hash.Hash }

func (h *digestHash) Value() Value { return fromBytes(8*h.Size(), h.Sum(nil)) }
