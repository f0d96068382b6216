package maps

import (
	"slices"
	"strings"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// Limits of a rule. They bound what an image can make the evaluation do; see
// also [MaxCovered].
const (
	// MaxRules is how many checksum rules a map has at most.
	MaxRules = 512
	// maxCovers is how many entries one cover has at most.
	maxCovers = 256
	// MaxRepeats is how often a rule is repeated at most, and how many records
	// or list items one rule has at most.
	MaxRepeats = 8192
	// maxPointers is how many pointers may lead to a number.
	maxPointers = 4
	// maxFieldBytes is the size of the widest stored field.
	maxFieldBytes = 64
	// maxRebalanceBytes is the size of the widest cell to rebalance.
	maxRebalanceBytes = 16
	// maxRecordBytes is the size of the largest record of a table.
	maxRecordBytes = 1 << 16
)

func (v *validator) rules() {
	for i := range v.m.Checksums {
		r := &v.m.Checksums[i]
		path := index("checksum", i)
		v.name(path, r.Name, i, func(j int) string { return v.m.Checksums[j].Name })
		// A mistake in the algorithm hides none in the ranges.
		spoiled := v.has(path)
		v.algorithm(path, r)
		noAlgorithm := v.has(path)
		v.bad[path] = spoiled
		v.oneOf(path, "names the covered bytes", "cover", "records", "list")
		v.oneOf(path, "names the expected value", "stored", "target")
		v.covers(path, r)
		v.counts(path, r)
		v.repeat(path, r)
		v.records(path, r)
		v.list(path, r)
		v.stored(path, r)
		v.target(path, r)
		v.spoiled = append(v.spoiled, v.has(path))
		v.bad[path] = v.bad[path] || noAlgorithm
	}
	if len(v.m.Checksums) > MaxRules {
		v.key("checksum", "has %d rules; at most %d are allowed", len(v.m.Checksums), MaxRules)
		return
	}
	v.seeds()
	v.relations()
}

// oneOf checks that exactly one of the keys is given.
func (v *validator) oneOf(path, does string, keys ...string) string {
	found := ""
	for _, key := range keys {
		if !v.given(path + "." + key) {
			continue
		}
		if found != "" {
			v.key(path+"."+key, "%s as %s does already; give one of %s", does, found, strings.Join(keys, ", "))
			continue
		}
		found = key
	}
	if found == "" {
		v.key(path, "nothing %s; give one of %s", does, strings.Join(keys, ", "))
	}
	return found
}

// number checks a number of the map; inRecord tells that fields have an offset
// in place of an address.
func (v *validator) number(path string, n *Number, inRecord bool, depth int) {
	if n == nil || n.Read == nil || v.has(path) {
		return
	}
	v.read(path, n.Read, inRecord, depth)
}

func (v *validator) read(path string, r *ReadNumber, inRecord bool, depth int) {
	if v.has(path) {
		return
	}
	v.order(&r.ByteOrder)
	if !v.given(path + ".scale") {
		r.Scale = 1
	} else if r.Scale == 0 {
		v.key(path+".scale", "is zero, so that the field would not count")
	}
	switch {
	case inRecord && r.At != nil:
		v.key(path+".at", "belongs to a number at a fixed place; inside a record or list item give offset")
	case inRecord && r.Offset == nil:
		v.key(path+".offset", "is missing")
	case !inRecord && r.Offset != nil:
		v.key(path+".offset", "belongs to records and list; give the address of the field in at")
	case !inRecord && r.At == nil:
		v.key(path+".at", "is missing; give the address of the field")
	case !inRecord && depth > maxPointers:
		v.key(path+".at", "more than %d pointers lead to this number", maxPointers)
	case !inRecord && r.At.Read == nil:
		v.inside(path+".at", image.Range{Start: r.At.Const, Size: uint64(r.Type.size())})
	case !inRecord:
		v.number(path+".at", r.At, false, depth+1)
	}
}

func (v *validator) repeat(path string, r *Rule) {
	rep := r.Repeat
	if rep == nil || v.has(path+".repeat") {
		return
	}
	at := path + ".repeat"
	if r.Cover == nil {
		v.key(at, "repeats a cover; records and list repeat by themselves")
	}
	v.number(at+".count", &rep.Count, false, 1)
	v.number(at+".stride", &rep.Stride, false, 1)
	v.number(at+".stored_stride", rep.StoredStride, false, 1)
	if rep.Count.Read == nil && (rep.Count.Const < 1 || rep.Count.Const > MaxRepeats) {
		v.key(at+".count", "must be 1 to %d", MaxRepeats)
	}
	if rep.Stride.Read == nil && rep.Stride.Const == 0 {
		v.key(at+".stride", "is zero, so that every repetition would be the same")
	}
}

func (v *validator) records(path string, r *Rule) {
	rec := r.Records
	at := path + ".records"
	if rec == nil || v.has(at) {
		return
	}
	v.number(at+".at", &rec.At, false, 1)
	v.number(at+".count", rec.Count, false, 1)
	if rec.Size < 1 || rec.Size > maxRecordBytes {
		v.key(at+".size", "must be 1 to %d", maxRecordBytes)
		return
	}
	v.oneOf(at, "says where a range ends", "length", "last", "end")
	for _, f := range []struct {
		key  string
		read *ReadNumber
	}{{"start", &rec.Start}, {"length", rec.Length}, {"last", rec.Last}, {"end", rec.End}} {
		if f.read == nil {
			continue
		}
		v.read(at+"."+f.key, f.read, true, 1)
		if !v.has(at+"."+f.key) && (*f.read.Offset > rec.Size || rec.Size-*f.read.Offset < uint64(f.read.Type.size())) {
			v.key(at+"."+f.key, "the field runs out of the record, which has %s", evidence.Count(rec.Size, "byte"))
		}
	}
	if r.Stored != nil && !v.given(at+".sum") {
		v.key(at+".sum", "is missing; give the offset of the stored value in the record")
	}
	v.howMany(at, rec.Count, rec.Stop)
}

func (v *validator) howMany(at string, count *Number, stop *uint64) {
	switch {
	case count == nil && stop == nil:
		v.key(at, "nothing says where it ends; give count, or stop")
	case count != nil && count.Read == nil && (count.Const < 1 || count.Const > MaxRepeats):
		v.key(at+".count", "must be 1 to %d", MaxRepeats)
	}
}

func (v *validator) list(path string, r *Rule) {
	l := r.List
	at := path + ".list"
	if l == nil || v.has(at) {
		return
	}
	v.number(at+".at", &l.At, false, 1)
	v.number(at+".count", l.Count, false, 1)
	v.read(at+".length", &l.Length, true, 1)
	if r.Stored != nil {
		v.oneOf(at, "says where the stored value is", "sum", "sum_after")
	}
	if !v.given(at + ".align") {
		l.Align = 1
	} else if l.Align == 0 || l.Align > maxRecordBytes {
		v.key(at+".align", "must be 1 to %d", maxRecordBytes)
	}
	for key, n := range map[string]*uint64{"data": &l.Data, "tail": &l.Tail, "sum": l.Sum, "sum_after": l.SumAfter, "length.offset": l.Length.Offset} {
		if n != nil && *n > maxRecordBytes {
			v.key(at+"."+key, "must be at most %d", maxRecordBytes)
		}
	}
	v.howMany(at, l.Count, l.Stop)
}

func (v *validator) stored(path string, r *Rule) {
	s := r.Stored
	at := path + ".stored"
	if s == nil || v.has(at) {
		return
	}
	v.order(&s.ByteOrder)
	s.Form = FieldForm(orDefault(string(s.Form), string(FormPlain)))
	s.Keep = Keep(orDefault(string(s.Keep), string(KeepLow)))
	s.Upper = Upper(orDefault(string(s.Upper), string(UpperZero)))
	v.number(at+".at", s.At, false, 1)
	switch byItself := r.Records != nil || r.List != nil; {
	case byItself && s.At != nil:
		v.key(at+".at", "records and list say themselves where the stored value is; leave this out")
	case !byItself && s.At == nil:
		v.key(at+".at", "is missing; give the address of the stored value")
	}
	for j, b := range s.Unset {
		if b != 0x00 && b != 0xFF {
			v.key(index(at+".unset", j), "must be 0x00 or 0xFF")
		}
	}
	if s.Bytes == 0 && !v.given(at+".bytes") {
		if r.width() == 0 { // an algorithm with a mistake: the size of the field is not known
			if s.At != nil && s.At.Read == nil {
				v.inside(at+".at", image.Range{Start: s.At.Const, Size: 1})
			}
			return
		}
		s.Bytes = (r.alg.Width() + s.Shift + 7) / 8
	}
	if s.Bytes < 1 || s.Bytes > maxFieldBytes {
		v.key(at+".bytes", "must be 1 to %d", maxFieldBytes)
		return
	}
	if s.Shift < 0 || s.Shift >= 8*s.Bytes {
		v.key(at+".shift", "must be 0 to %d, within the field", 8*s.Bytes-1)
	}
	if n := len(s.CountedAs); n > 1 && n != s.size() {
		v.key(at+".counted_as", "has %d bytes; give one byte, or %d for every byte of the field", n, s.size())
	}
	if s.At != nil && s.At.Read == nil {
		v.inside(at+".at", image.Range{Start: s.At.Const, Size: uint64(s.size())})
	}
	if rec := r.Records; rec != nil && !v.has(path+".records.size") && !v.has(path+".records.sum") && (rec.Sum > rec.Size || rec.Size-rec.Sum < uint64(s.size())) {
		v.key(path+".records.sum", "the stored value runs out of the record, which has %s", evidence.Count(rec.Size, "byte"))
	}
}

func (v *validator) target(path string, r *Rule) {
	if r.Target != nil && !v.has(path+".target") && r.width() > 0 {
		if _, err := r.Target.value(r.alg.Width()); err != nil {
			v.key(path+".target", "%s", err)
		}
	}
	cell := r.Rebalance
	at := path + ".rebalance"
	if cell == nil || v.has(at) {
		return
	}
	if r.Target == nil {
		v.key(at, "belongs to a target; a rule with a stored value has its field to write to")
		return
	}
	if r.Records != nil || r.List != nil {
		v.key(at, "cannot be said for records and list, which have no cell of their own")
		return
	}
	v.number(at+".at", &cell.At, false, 1)
	if cell.Bytes < 1 || cell.Bytes > maxRebalanceBytes {
		v.key(at+".bytes", "must be 1 to %d", maxRebalanceBytes)
		return
	}
	if v.has(at) || cell.At.Read != nil {
		return
	}
	where := image.Range{Start: cell.At.Const, Size: uint64(cell.Bytes)}
	if !v.inside(at+".at", where) || v.has(path+".cover") || v.extent == nil {
		return
	}
	if r.Repeat != nil || r.Cover == nil {
		return
	}
	for in := range v.static().instances(r) {
		if in.err == nil && len(image.SubtractRanges([]image.Range{where}, in.counted())) > 0 {
			v.key(at+".at", "%s is not covered by the rule, so that changing it would change nothing", where)
		}
	}
}

func (m *Map) region(name string) (Region, bool) {
	i := slices.IndexFunc(m.Regions, func(r Region) bool { return r.Name == name })
	if i < 0 {
		return Region{}, false
	}
	return m.Regions[i], true
}

func (m *Map) regionNames() []string {
	names := make([]string, len(m.Regions))
	for i, r := range m.Regions {
		names[i] = r.Name
	}
	return names
}

func (m *Map) ruleNames() []string {
	names := make([]string, len(m.Checksums))
	for i, r := range m.Checksums {
		names[i] = r.Name
	}
	return names
}

// size returns the bytes of the whole field.
func (s *Stored) size() int {
	if s.Form.pair() {
		return 2 * s.Bytes
	}
	return s.Bytes
}
