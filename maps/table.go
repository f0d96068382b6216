package maps

import "example.com/calproof/image"

// Table is a calibration value with units: a scalar (no axis), a curve (one
// axis) or a map (two axes).
type Table struct {
	// Name of the table, unique in the map.
	Name string `toml:"name" jsonschema:"required"`
	// Address of the first cell.
	At uint64 `toml:"at" jsonschema:"required"`
	// How a cell is stored and what it means.
	Cell CellSpec `toml:"cell" jsonschema:"required"`
	// The axis along which the columns lie.
	X *AxisSpec `toml:"x"`
	// The axis along which the rows lie.
	Y *AxisSpec `toml:"y"`
	// Which cells are neighbours in memory: those of a row (row_major, if not given) or of a column (column_major).
	Order Order `toml:"order"`
}

// Order says which cells of a map are neighbours in memory.
type Order string

const (
	RowMajor    Order = "row_major"
	ColumnMajor Order = "column_major"
)

func (Order) values() []string { return []string{"row_major", "column_major"} }

// CellType is how a number is stored.
type CellType string

func (CellType) values() []string {
	return []string{"u8", "u16", "u32", "u64", "s8", "s16", "s32", "s64", "f32", "f64"}
}

// Size returns the bytes of a number.
func (t CellType) Size() int {
	switch t {
	case "u8", "s8":
		return 1
	case "u16", "s16":
		return 2
	case "u32", "s32", "f32":
		return 4
	}
	return 8
}

// CellSpec says how cells are stored. Physical value = stored number * scale + offset.
type CellSpec struct {
	// Type of the stored number.
	Type CellType `toml:"type" jsonschema:"required"`
	// Byte order; the image's if not given.
	ByteOrder ByteOrder `toml:"byte_order"`
	// Physical units a count. 1 if not given.
	Scale *float64 `toml:"scale"`
	// Physical value of the stored number 0. 0 if not given.
	Offset float64 `toml:"offset"`
	// Unit of the physical value, such as "1/min".
	Unit string `toml:"unit"`
	// Lowest physical value a cell may have.
	Min *float64 `toml:"min"`
	// Highest physical value a cell may have.
	Max *float64 `toml:"max"`
	// Digits after the point when the value is shown; what the scale makes meaningful if not given.
	Decimals *int `toml:"decimals"`
}

// AxisSpec is an axis: numbers in the image (at, count, type), or values
// written in the map.
type AxisSpec struct {
	// Address of the first number.
	At *uint64 `toml:"at"`
	// How many numbers there are.
	Count int `toml:"count"`
	// Type of the stored numbers.
	Type CellType `toml:"type"`
	// Byte order; the image's if not given.
	ByteOrder ByteOrder `toml:"byte_order"`
	// Physical units a count. 1 if not given.
	Scale *float64 `toml:"scale"`
	// Physical value of the stored number 0. 0 if not given.
	Offset float64 `toml:"offset"`
	// Unit of the axis.
	Unit string `toml:"unit"`
	// Physical values, for an axis that is not in the image.
	Values []float64 `toml:"values"`
}

// Len returns the number of values on the axis; 1 for no axis.
func (a *AxisSpec) Len() int {
	switch {
	case a == nil:
		return 1
	case a.At == nil:
		return len(a.Values)
	}
	return a.Count
}

// Range returns where the axis lies, and whether it lies in the image.
func (a *AxisSpec) Range() (image.Range, bool) {
	if a == nil || a.At == nil {
		return image.Range{}, false
	}
	return image.Range{Start: *a.At, Size: uint64(a.Count) * uint64(a.Type.Size())}, true
}

// Range returns the addresses of the table's cells.
func (t Table) Range() image.Range {
	return image.Range{Start: t.At, Size: uint64(t.X.Len()) * uint64(t.Y.Len()) * uint64(t.Cell.Type.Size())}
}

// Identity is a field that tells which controller or software an image
// belongs to.
type Identity struct {
	// Name of the field, unique in the map.
	Name string `toml:"name" jsonschema:"required"`
	// Addresses of the field.
	Range image.Range `toml:"range" jsonschema:"required"`
	// How the field is written.
	As IdentityForm `toml:"as" jsonschema:"required"`
}

// IdentityForm says how an identity field is written.
type IdentityForm string

const (
	AsText IdentityForm = "text" // printable ASCII, filled up with 0x00, 0xFF or spaces
	AsHex  IdentityForm = "hex"  // any bytes, shown in hexadecimal
	AsBCD  IdentityForm = "bcd"  // two decimal digits a byte, high nibble first
	AsVIN  IdentityForm = "VIN"  // vehicle identification number, 17 characters
)

func (IdentityForm) values() []string { return []string{"text", "hex", "bcd", "VIN"} }
