package maps

import (
	"math"
	"reflect"
	"slices"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/vin"
)

func (p *problems) decode(root *node, m *Map) {
	d := &decoder{p}
	d.value(root, reflect.ValueOf(m).Elem(), "")
}

// MaxEntries is how many regions, tables or identity fields a map has at most.
const MaxEntries = 4096

// validator checks what the types of the language cannot say.
type validator struct {
	*problems
	m      *Map
	extent []image.Range // nil when the [image] section is not fit to judge by

	spoiled []bool // beside the rules: it has a mistake, other than in its algorithm
}

func validate(m *Map, p *problems) {
	v := &validator{problems: p, m: m}
	if p.given("format") && !p.has("format") && m.Format != 1 {
		p.key("format", "is version %d of the map language; this program knows version 1", m.Format)
	}
	v.image()
	v.bench()
	v.readLimits()
	for key, n := range map[string]int{"region": len(m.Regions), "table": len(m.Tables), "identity": len(m.Identities), "image.parts": len(m.Image.Parts)} {
		if n > MaxEntries {
			v.key(key, "has %d entries; at most %d are allowed", n, MaxEntries)
			return
		}
	}
	v.regions()
	v.identities()
	v.tables()
	v.rules()
}

func (v *validator) image() {
	spec := &v.m.Image
	if !v.given("image") || v.has("image.size") || v.has("image.base") {
		return
	}
	if spec.Size == 0 {
		v.key("image.size", "is zero; give the bytes of a full read")
		return
	}
	if len(spec.Parts) == 0 && spec.Size-1 > math.MaxUint64-spec.Base {
		v.key("image.size", "runs past the top of the 64-bit address space from base 0x%X", spec.Base)
	}
	if v.given("image.swapped") && !v.has("image.swapped") && spec.Swapped != 2 && spec.Swapped != 4 {
		v.key("image.swapped", "must be 2 or 4, the bytes of a word that stand in reverse order")
	} else if spec.Swapped != 0 && spec.Size%uint64(spec.Swapped) != 0 {
		v.key("image.swapped", "the size 0x%X is no whole number of %d-byte words", spec.Size, spec.Swapped)
	}
	if v.given("image.interleaved") && !v.has("image.interleaved") && (spec.Interleaved < 2 || spec.Interleaved > maxChips) {
		v.key("image.interleaved", "must be 2 to %d, the number of memories whose bytes take turns", maxChips)
	} else if spec.Interleaved != 0 && spec.Size%uint64(spec.Interleaved) != 0 {
		v.key("image.interleaved", "the size 0x%X does not divide evenly among %d memories", spec.Size, spec.Interleaved)
	}
	v.parts()
	if !v.has("image.size") && !v.has("image.base") && !v.has("image.parts") {
		v.extent = v.m.Extent()
	}
}

// maxChips is how many chips or memories may take turns.
const maxChips = 16

func (v *validator) parts() {
	spec := &v.m.Image
	if len(spec.Parts) > 0 && v.given("image.base") {
		v.key("image.base", "is not used when there are parts; each part has its own base")
	}
	var inFile []image.Range
	for i := range spec.Parts {
		part := &spec.Parts[i]
		path := index("image.parts", i)
		v.name(path, part.Name, i, func(j int) string { return spec.Parts[j].Name })
		if len(part.File) > maxChips {
			v.key(path+".file", "has %d ranges; at most %d take turns", len(part.File), maxChips)
			continue
		}
		for j, r := range part.File {
			at := index(path+".file", j)
			if r.Size > spec.Size || r.Start > spec.Size-r.Size {
				v.key(at, "%s runs out of the file, which has 0x%X bytes", r, spec.Size)
			}
			for _, other := range inFile {
				if shared, ok := r.Intersect(other); ok {
					v.key(at, "file bytes %s belong to another part too", shared)
					break
				}
			}
			inFile = append(inFile, r)
			if r.Size != part.File[0].Size {
				v.key(at, "has 0x%X bytes and the first range of the list 0x%X; ranges that take turns are of equal size", r.Size, part.File[0].Size)
			}
		}
		if len(part.File) == 0 && !v.has(path+".file") {
			v.key(path+".file", "is empty; give where the part lies in the file")
			continue
		}
		if v.given(path + ".unit") {
			switch {
			case part.Unit != 1 && part.Unit != 2 && part.Unit != 4:
				v.key(path+".unit", "must be 1, 2 or 4")
			case len(part.File) > 0 && part.File[0].Size%uint64(part.Unit) != 0:
				v.key(path+".unit", "the range %s is no whole number of %d-byte units", part.File[0], part.Unit)
			}
		} else {
			part.Unit = 1
		}
		if v.has(path) {
			continue
		}
		if size := image.TotalSize(part.File); size-1 > math.MaxUint64-part.Base {
			v.key(path+".base", "the part runs past the top of the 64-bit address space")
			continue
		}
		for j := range i {
			if shared, ok := part.Range().Intersect(spec.Parts[j].Range()); ok {
				v.key(path+".base", "addresses %s belong to part %q too", shared, spec.Parts[j].Name)
				break
			}
		}
	}
}

func (v *validator) bench() {
	b := v.m.Bench
	for _, f := range []struct {
		key   string
		value float64
	}{{"min_supply_volts", b.MinSupplyVolts}, {"max_adapter_latency_ms", b.MaxAdapterLatencyMS}, {"line_bits_per_second", b.LineBitsPerSecond}} {
		if path := "bench." + f.key; v.given(path) && !v.has(path) && f.value <= 0 {
			v.key(path, "must be above zero")
		}
	}
	for _, f := range []limitKey{
		{"bench.line_bits_per_byte", float64(b.LineBitsPerByte), 10, 12, "a start bit, eight data bits, a stop bit, and what parity and a second stop bit add"},
		{"bench.request_bytes", float64(b.RequestBytes), 1, 256, ""},
		{"bench.answer_bytes", float64(b.AnswerBytes), 1, 256, ""},
	} {
		v.limit(f)
	}
	if v.given("bench.read_minutes") && !v.has("bench.read_minutes") {
		switch {
		case b.ReadMinutes[0] <= 0:
			v.key("bench.read_minutes[1]", "must be above zero")
		case b.ReadMinutes[0] > b.ReadMinutes[1]:
			v.key("bench.read_minutes", "the limits are the wrong way round; write the shortest time first")
		}
	}
}

// name checks that entry i of a list has a name of its own.
func (v *validator) name(path, name string, i int, nameOf func(int) string) {
	if v.has(path + ".name") {
		return
	}
	if name == "" {
		v.key(path+".name", "is empty; give a name to tell it by")
		return
	}
	list := path[:len(path)-len(index("", i))]
	for j := range i {
		if nameOf(j) == name {
			v.key(path+".name", "%q is used already in line %d; every name in this list is unique", name, v.line(index(list, j)+".name"))
			return
		}
	}
}

// inside checks that r lies in the image.
func (v *validator) inside(path string, r image.Range) bool {
	if v.extent == nil || slices.ContainsFunc(v.extent, func(e image.Range) bool { return e.Covers(r) }) {
		return true
	}
	v.key(path, "%s runs out of the image, which is %s", r, evidence.Ranges(v.extent))
	return false
}

func (v *validator) regions() {
	for i := range v.m.Regions {
		r := &v.m.Regions[i]
		path := index("region", i)
		v.name(path, r.Name, i, func(j int) string { return v.m.Regions[j].Name })
		if r.Edit == "" {
			r.Edit = EditForbidden
			if r.Role == RoleCalibration && !slices.Contains(r.Tags, TagImmobiliser) {
				r.Edit = EditAllowed
			}
		}
		if r.Content == "" {
			r.Content = ContentExpected
			if r.Role == RoleAdaptation || r.Role == RoleUnused {
				r.Content = ContentMayBeErased
			}
		}
		for j, tag := range r.Tags {
			if slices.Contains(r.Tags[:j], tag) {
				v.key(index(path+".tags", j), "%q is given twice", tag)
			}
		}
		if len(r.Cover) > 0 && r.Role != RoleSignature {
			v.key(path+".cover", "only a signature covers something; this region's role is %s", r.Role)
		}
		for j, covered := range r.Cover {
			if at := index(path+".cover", j); !v.has(at) {
				v.inside(at, covered)
			}
		}
		if v.has(path + ".range") {
			continue
		}
		v.inside(path+".range", r.Range)
		for j := range i {
			if shared, ok := r.Range.Intersect(v.m.Regions[j].Range); ok {
				v.key(path+".range", "overlaps region %q of line %d at %s", v.m.Regions[j].Name, v.line(index("region", j)+".range"), shared)
				break
			}
		}
	}
}

func (v *validator) identities() {
	for i, id := range v.m.Identities {
		path := index("identity", i)
		v.name(path, id.Name, i, func(j int) string { return v.m.Identities[j].Name })
		if v.has(path + ".range") {
			continue
		}
		v.inside(path+".range", id.Range)
		switch {
		case id.Range.Size > maxIdentityBytes:
			v.key(path+".range", "has %d bytes; an identity field has at most %d", id.Range.Size, maxIdentityBytes)
		case id.As == AsVIN && id.Range.Size != vin.Length:
			v.key(path+".range", "has %d bytes; a vehicle identification number has %d characters", id.Range.Size, vin.Length)
		}
	}
}

// maxIdentityBytes bounds an identity field; longer texts are no identity.
const maxIdentityBytes = 4096

// MaxTableCells is the largest number of cells, or of values on an axis.
const MaxTableCells = 1 << 16

func (v *validator) tables() {
	for i := range v.m.Tables {
		t := &v.m.Tables[i]
		path := index("table", i)
		v.name(path, t.Name, i, func(j int) string { return v.m.Tables[j].Name })
		if t.Order == "" {
			t.Order = RowMajor
		}
		v.scale(path+".cell", t.Cell.Scale)
		v.order(&t.Cell.ByteOrder)
		if c := t.Cell; c.Min != nil && c.Max != nil && *c.Min > *c.Max {
			v.key(path+".cell.max", "the limits are the wrong way round: max %v is below min %v", *c.Max, *c.Min)
		}
		if d := t.Cell.Decimals; d != nil && (*d < 0 || *d > 15) {
			v.key(path+".cell.decimals", "must be 0 to 15")
		}
		v.axis(path+".x", t.X)
		v.axis(path+".y", t.Y)
		if t.Y != nil && t.X == nil && !v.has(path+".x") {
			v.key(path+".y", "a table with one axis calls it x")
		}
		if v.has(path) {
			continue
		}
		if n := uint64(t.X.Len()) * uint64(t.Y.Len()); n > MaxTableCells {
			v.key(path, "has %d cells; at most %d are allowed", n, MaxTableCells)
			continue
		}
		v.placed(path+".at", "the table", t.Range())
		for _, a := range []struct {
			key  string
			axis *AxisSpec
		}{{"x", t.X}, {"y", t.Y}} {
			if r, ok := a.axis.Range(); ok {
				v.placed(path+"."+a.key+".at", "the axis", r)
			}
		}
	}
}

func (v *validator) scale(path string, scale *float64) {
	if scale != nil && *scale == 0 && !v.has(path+".scale") {
		v.key(path+".scale", "is zero, so that every value would be the same")
	}
}

// order fills in the image's byte order where a field states none.
func (v *validator) order(o *ByteOrder) {
	if *o == "" {
		*o = v.m.Image.ByteOrder
	}
}

func (v *validator) axis(path string, a *AxisSpec) {
	if a == nil || v.has(path) {
		return
	}
	v.scale(path, a.Scale)
	v.order(&a.ByteOrder)
	if a.At == nil {
		for _, key := range []string{"count", "type", "scale", "offset", "byte_order"} {
			if v.given(path + "." + key) {
				v.key(path+"."+key, "belongs to an axis in the image; give at as well, or values alone")
			}
		}
		if len(a.Values) == 0 || len(a.Values) > MaxTableCells {
			v.key(path, "needs at, count and type, or 1 to %d values", MaxTableCells)
		}
		return
	}
	if v.given(path + ".values") {
		v.key(path+".values", "belongs to an axis that is not in the image; leave out at or values")
	}
	if a.Type == "" {
		v.key(path+".type", "is missing")
	}
	if a.Count < 1 || a.Count > MaxTableCells {
		v.key(path+".count", "must be 1 to %d", MaxTableCells)
	}
}

// placed checks that the cells of a table or axis lie in the image, and in one
// region if they lie in any.
func (v *validator) placed(path, what string, r image.Range) {
	if r.Size-1 > math.MaxUint64-r.Start {
		v.key(path, "%s runs past the top of the 64-bit address space", what)
		return
	}
	if !v.inside(path, r) {
		return
	}
	for i, region := range v.m.Regions {
		if v.has(index("region", i) + ".range") {
			continue
		}
		if _, touches := region.Range.Intersect(r); touches && !region.Range.Covers(r) {
			v.key(path, "%s at %s runs out of region %q, which is %s", what, r, region.Name, region.Range)
			return
		}
	}
}
