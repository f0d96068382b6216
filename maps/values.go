package maps

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"strings"

	"example.com/calproof/image"
	"example.com/calproof/image/vin"
)

// Axis is a decoded axis: values in physical units.
type Axis struct {
	Values []float64     `json:"values"`
	Unit   string        `json:"unit,omitempty"`
	Ranges []image.Range `json:"ranges,omitempty"` // where the axis lies; nil for values written in the map
}

// TableValue is a decoded table. Cells are row-major whatever the order in
// memory: cell (row, col) is Cells[row*Cols+col]; a scalar has one cell, a
// curve one row. A table that could not be decoded has a Problem and no cells.
type TableValue struct {
	Name     string      `json:"name"`
	Region   string      `json:"region,omitempty"`
	Unit     string      `json:"unit,omitempty"`
	Rows     int         `json:"rows"`
	Cols     int         `json:"cols"`
	X        *Axis       `json:"x,omitempty"`
	Y        *Axis       `json:"y,omitempty"`
	Cells    []Cell      `json:"cells"`
	Decimals int         `json:"decimals"`          // digits after the point that the scale makes meaningful
	Min, Max *float64    `json:"-"`                 // declared limits, physical
	Range    image.Range `json:"range"`             // from the first to the last cell
	Problem  string      `json:"problem,omitempty"` // why it could not be decoded
}

// Cell is one decoded cell.
type Cell struct {
	Addr    uint64  `json:"addr"`
	Raw     int64   `json:"raw"`               // the stored number; for float cells its bits; a u64 above 2^63-1 wraps
	Value   float64 `json:"value"`             // physical
	Outside bool    `json:"outside,omitempty"` // outside the declared limits, or a float that is no finite number
}

// MarshalJSON writes a value that is no finite number as null, for which JSON
// has no other word.
func (c Cell) MarshalJSON() ([]byte, error) {
	type plain Cell
	if !finite(c.Value) {
		return json.Marshal(struct {
			plain
			Value *float64 `json:"value"`
		}{plain: plain(c)})
	}
	return json.Marshal(plain(c))
}

// MarshalJSON writes values that are no finite numbers as null.
func (a Axis) MarshalJSON() ([]byte, error) {
	type plain Axis
	values := make([]*float64, len(a.Values))
	for i := range a.Values {
		if finite(a.Values[i]) {
			values[i] = &a.Values[i]
		}
	}
	return json.Marshal(struct {
		Values []*float64 `json:"values"`
		plain
	}{values, plain(a)})
}

func finite(f float64) bool { return !math.IsNaN(f) && !math.IsInf(f, 0) }

// Tables decodes every table to physical values, in map order.
func (b *Bound) Tables() []TableValue {
	if b.Map == nil {
		return nil
	}
	out := make([]TableValue, 0, len(b.Map.Tables))
	for i := range b.Map.Tables {
		out = append(out, b.table(&b.Map.Tables[i]))
	}
	return out
}

func (b *Bound) table(t *Table) TableValue {
	v := TableValue{
		Name: t.Name, Region: b.Map.regionName(t.At), Unit: t.Cell.Unit, Rows: t.Y.Len(), Cols: t.X.Len(),
		Decimals: t.Cell.decimals(), Min: t.Cell.Min, Max: t.Cell.Max, Range: t.Range(), Cells: []Cell{},
	}
	data, err := b.Image.Bytes(v.Range)
	if err == nil {
		v.X, err = b.axis(t.X)
	}
	if err == nil {
		v.Y, err = b.axis(t.Y)
	}
	if err != nil {
		v.Problem = err.Error()
		return v
	}
	size := t.Cell.Type.Size()
	v.Cells = make([]Cell, v.Rows*v.Cols)
	for row := range v.Rows {
		for col := range v.Cols {
			k := row*v.Cols + col
			if t.Order == ColumnMajor {
				k = col*v.Rows + row
			}
			raw, value := t.Cell.Type.decode(data[k*size:(k+1)*size], t.Cell.ByteOrder, t.Cell.Scale, t.Cell.Offset)
			v.Cells[row*v.Cols+col] = Cell{Addr: t.At + uint64(k*size), Raw: raw, Value: value, Outside: t.Cell.outside(value)}
		}
	}
	return v
}

func (b *Bound) axis(a *AxisSpec) (*Axis, error) {
	if a == nil {
		return nil, nil
	}
	where, stored := a.Range()
	if !stored {
		return &Axis{Values: a.Values, Unit: a.Unit}, nil
	}
	data, err := b.Image.Bytes(where)
	if err != nil {
		return nil, fmt.Errorf("axis: %w", err)
	}
	size := a.Type.Size()
	out := &Axis{Unit: a.Unit, Ranges: []image.Range{where}, Values: make([]float64, a.Count)}
	for i := range out.Values {
		_, out.Values[i] = a.Type.decode(data[i*size:(i+1)*size], a.ByteOrder, a.Scale, a.Offset)
	}
	return out, nil
}

// decode returns the number stored in b and its physical value.
func (t CellType) decode(b []byte, order ByteOrder, scale *float64, offset float64) (raw int64, value float64) {
	bits := uintOf(b, order)
	switch unused := 64 - 8*len(b); {
	case t == "f32":
		raw, value = int64(bits), float64(math.Float32frombits(uint32(bits)))
	case t == "f64":
		raw, value = int64(bits), math.Float64frombits(bits)
	case strings.HasPrefix(string(t), "s"):
		raw = int64(bits<<unused) >> unused
		value = float64(raw)
	default:
		raw, value = int64(bits), float64(bits)
	}
	if scale != nil {
		value *= *scale
	}
	return raw, value + offset
}

func (c CellSpec) outside(value float64) bool {
	return !finite(value) || c.Min != nil && value < *c.Min || c.Max != nil && value > *c.Max
}

// decimals returns how many digits after the point tell two stored numbers
// apart: those of the scale and the offset, at most 6. A float cell has 3.
func (c CellSpec) decimals() int {
	if c.Decimals != nil {
		return *c.Decimals
	}
	if c.Type == "f32" || c.Type == "f64" {
		return 3
	}
	digits := decimalsOf(c.Offset)
	if c.Scale != nil {
		digits = max(digits, decimalsOf(*c.Scale))
	}
	return digits
}

// decimalsOf returns the digits after the point of a number as it is written,
// at most 6.
func decimalsOf(f float64) int {
	text := new(big.Float).SetFloat64(f).Text('f', -1)
	_, after, _ := strings.Cut(text, ".")
	return min(len(after), 6)
}

// IdentityValue is a decoded identity field.
type IdentityValue struct {
	Name    string      `json:"name"`
	Range   image.Range `json:"range"`
	As      string      `json:"as"`
	Value   string      `json:"value"`
	Problem string      `json:"problem,omitempty"` // why it does not parse; "" if it does
	Notes   []string    `json:"notes,omitempty"`   // e.g. a VIN check digit that does not agree
}

// Identity decodes every identity field, in map order.
func (b *Bound) Identity() []IdentityValue {
	if b.Map == nil {
		return nil
	}
	out := make([]IdentityValue, 0, len(b.Map.Identities))
	for _, id := range b.Map.Identities {
		v := IdentityValue{Name: id.Name, Range: id.Range, As: string(id.As)}
		data, err := b.Image.Bytes(id.Range)
		switch {
		case err != nil:
			v.Problem = err.Error()
		case allEqual(data, b.Map.Image.Erased):
			v.Problem = fmt.Sprintf("the field is erased (every byte is 0x%02X)", b.Map.Image.Erased)
		default:
			id.As.decode(data, &v)
		}
		out = append(out, v)
	}
	return out
}

func allEqual(data []byte, b byte) bool {
	for _, x := range data {
		if x != b {
			return false
		}
	}
	return len(data) > 0
}

func (form IdentityForm) decode(data []byte, v *IdentityValue) {
	switch form {
	case AsHex:
		v.Value = strings.ToUpper(hex.EncodeToString(data))
	case AsBCD:
		v.Value, v.Problem = decodeBCD(data)
	case AsVIN:
		if v.Value, v.Problem = decodeText(data); v.Problem != "" {
			return
		}
		result, err := vin.Check(v.Value)
		if err != nil {
			v.Problem = err.Error()
		} else if note := result.Note(); note != "" {
			v.Notes = append(v.Notes, note)
		}
	default:
		v.Value, v.Problem = decodeText(data)
	}
}

// decodeText returns the printable ASCII text of a field without what fills it
// up. A byte that is not printable is shown as \xNN and is a problem.
func decodeText(data []byte) (value, problem string) {
	end := len(data)
	for end > 0 && (data[end-1] == 0x00 || data[end-1] == 0xFF || data[end-1] == ' ') {
		end--
	}
	var text strings.Builder
	for i, c := range data[:end] {
		switch {
		case c >= 0x20 && c < 0x7F:
			text.WriteByte(c)
			continue
		case problem == "":
			problem = fmt.Sprintf("byte %d of the field is 0x%02X, which is no printable ASCII character", i+1, c)
		}
		fmt.Fprintf(&text, `\x%02X`, c)
	}
	if end == 0 {
		problem = "the field is empty"
	}
	return text.String(), problem
}

// decodeBCD returns the decimal digits of a field, high nibble first. Nibbles
// of 0xF at the end fill it up (common practice, no source); any other nibble
// above 9 is a problem and shown in hexadecimal.
func decodeBCD(data []byte) (value, problem string) {
	digits := strings.TrimRight(strings.ToUpper(hex.EncodeToString(data)), "F")
	if i := strings.IndexAny(digits, "ABCDEF"); i >= 0 {
		problem = fmt.Sprintf("digit %d of the field is the nibble 0x%c, which is no decimal digit", i+1, digits[i])
	} else if digits == "" {
		problem = "the field is empty"
	}
	return digits, problem
}
