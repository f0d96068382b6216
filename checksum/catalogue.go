package checksum

import "strings"

//go:generate go run ./internal/gencatalogue testdata/crc-catalogue.tsv catalogue_table.go

// catalogueEntry is a row of the catalogue; numbers are written MSB first.
type catalogueEntry struct {
	name           string
	width          int
	poly, init     u128
	refIn, refOut  bool
	xorOut         u128
	check, residue u128
	aliases        string // separated by commas
}

const catalogueSource = `Greg Cook, "Catalogue of parametrised CRC algorithms" (reveng.sourceforge.io/crc-catalogue), as of April 2026`

// catalogueCRCs returns the algorithms of the catalogue in its order. Entries
// that differ only in start value, output reflection or final XOR share one
// engine and so one set of tables.
func catalogueCRCs() []Algorithm {
	type engineKey struct {
		width int
		poly  u128
		refIn bool
	}
	engines := make(map[engineKey]*engine)
	list := make([]Algorithm, 0, len(catalogueTable))
	for _, e := range catalogueTable {
		key := engineKey{e.width, e.poly, e.refIn}
		if engines[key] == nil {
			engines[key] = newEngine(e.width, e.poly, e.refIn)
		}
		var aliases []string
		if e.aliases != "" {
			aliases = strings.Split(e.aliases, ",")
		}
		list = append(list, newCRC(CRCParams{
			Name: e.name, Width: e.width,
			Poly: valueOf(e.width, e.poly), Init: valueOf(e.width, e.init),
			RefIn: e.refIn, RefOut: e.refOut, XorOut: valueOf(e.width, e.xorOut),
			Check: valueOf(e.width, e.check), Residue: valueOf(e.width, e.residue),
			Aliases: aliases, Source: catalogueSource,
		}, engines[key]))
	}
	return list
}

// notes warns of names that mean different things to different programs.
var notes = map[string]string{
	"CRC-16/KERMIT":   `"CRC-16/CCITT" is this algorithm here, as in the catalogue; many programs mean CRC-16/IBM-3740 by it`,
	"CRC-16/IBM-3740": `many programs call this one "CRC-16/CCITT", which is the name of CRC-16/KERMIT in the catalogue and here`,
	"CRC-32/CKSUM":    "the bare CRC; the POSIX tool cksum also feeds the length of the file: that is posix-cksum",
	"CRC-64/ECMA-182": `the standard ECMA-182; "ECMA" in Go's hash/crc64 is CRC-64/XZ`,
}
