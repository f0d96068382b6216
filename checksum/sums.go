package checksum

import "fmt"

const byDefinition = "by definition of the parameters; no check value is published"

// systematicSums returns every additive and XOR sum that has a name of the
// scheme OPERATION-WIDTH/WORD[/FORM] described in the package documentation.
func systematicSums() []Algorithm {
	aliases := map[string]string{
		"xor-8/u8":                       "xor-8",
		"sum-8/u8/twos-complement":       "lrc-8-twos-complement",
		"carry-16/u16be/ones-complement": "internet-checksum",
	}
	sources := map[string]string{
		"xor-8/u8":                       "block check character, common practice",
		"sum-8/u8/twos-complement":       "LRC of Modbus ASCII, Intel HEX records",
		"carry-16/u16be/ones-complement": "RFC 1071",
	}
	warnings := map[string]string{
		"sum-8/u8/twos-complement": `often called "LRC" and attributed to ISO 1155 (not verified); others mean xor-8 by "LRC"`,
	}
	var list []Algorithm
	for _, op := range []struct {
		name  string
		op    SumOp
		forms []Form
	}{
		{"sum", OpAdd, []Form{FormPlain, FormOnes, FormTwos}},
		{"carry", OpCarry, []Form{FormPlain, FormOnes}},
		{"xor", OpXor, []Form{FormPlain, FormOnes}},
	} {
		for _, width := range []int{8, 16, 32, 64} {
			for _, word := range []struct {
				size      int
				bigEndian bool
			}{{1, false}, {2, false}, {2, true}, {4, false}, {4, true}, {8, false}, {8, true}} {
				bitsOfWord := 8 * word.size
				// An XOR never leaves the bits of a word, and no message of
				// less than 4 GiB carries out of 64 bits over narrower words.
				same := op.op == OpXor || op.op == OpCarry && width == 64
				if bitsOfWord > width || same && bitsOfWord < width {
					continue
				}
				for _, form := range op.forms {
					p := SumParams{Width: width, WordSize: word.size, BigEndian: word.bigEndian, Op: op.op, Form: form, Source: byDefinition}
					p.Name = fmt.Sprintf("%s-%d/%s", op.name, width, p.word())
					if form != FormPlain {
						p.Name += "/" + string(form)
					}
					if s, ok := sources[p.Name]; ok {
						p.Source = s
					}
					a := newSum(p)
					if alias, ok := aliases[p.Name]; ok {
						a.d.aliases = []string{alias}
					}
					a.d.note = warnings[p.Name]
					list = append(list, a)
				}
			}
		}
	}
	return list
}

// otherSums returns the sums that are no plain sum of words.
func otherSums(cksum *crc) []Algorithm {
	var list []Algorithm
	add := func(d definition) {
		d.family = FamilySum
		list = append(list, Algorithm{&d})
	}
	fletcherSource := `J. G. Fletcher, "An Arithmetic Checksum for Serial Transmissions", IEEE Transactions on Communications COM-30, 1982`
	for _, f := range []struct {
		*fletcher
		alias, source, note string
	}{
		{&fletcher{"adler-32", 32, 1, false, 65521, 1}, "", "RFC 1950", ""},
		{&fletcher{"fletcher-16", 16, 1, false, 255, 0}, "", fletcherSource, fletcherNote},
		{&fletcher{"fletcher-32/u16le", 32, 2, false, 65535, 0}, "fletcher-32", fletcherSource, fletcherNote},
		{&fletcher{"fletcher-32/u16be", 32, 2, true, 65535, 0}, "fletcher-32-be", fletcherSource, fletcherNote},
		{&fletcher{"fletcher-64/u32le", 64, 4, false, 1<<32 - 1, 0}, "fletcher-64", fletcherSource, fletcherNote},
		{&fletcher{"fletcher-64/u32be", 64, 4, true, 1<<32 - 1, 0}, "fletcher-64-be", fletcherSource, fletcherNote},
	} {
		d := definition{name: f.name, width: f.width, source: f.source, note: f.note, parameters: f.fletcher.String(), rule: f.fletcher}
		if f.alias != "" {
			d.aliases = []string{f.alias}
		}
		add(d)
	}
	add(definition{name: "bsd-sum", aliases: []string{"sum -r"}, width: 16, rule: bsdSum{},
		source:     "sum -r of GNU coreutils",
		parameters: "width=16 word=u8 rotate right by 1, add modulo 65536"})
	add(definition{name: "sysv-sum", aliases: []string{"sum -s"}, width: 16, rule: sysvSum{},
		source:     "sum -s of GNU coreutils",
		parameters: "width=16 word=u8 add modulo 2^32, fold twice to 16 bits"})
	add(definition{name: "posix-cksum", width: 32, rule: posixCksum{cksum},
		source:     "POSIX.1-2017, utility cksum",
		note:       "the tool cksum; the bare CRC without the length is CRC-32/CKSUM",
		parameters: "CRC-32/CKSUM of the message and its length, least significant byte first"})
	return list
}

const fletcherNote = "Fletcher sums differ by implementation: this one starts at 0, pads with zeros and reduces fully, so all ones never shows"
