package maps

import (
	"encoding/hex"
	"fmt"
	"math"
	"math/big"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"example.com/calproof/image"
)

// decoder fills the structs of the language from a tree, by their toml tags,
// and reports every key and value that does not fit.
type decoder struct{ *problems }

// enum is a string type with a fixed set of values.
type enum interface{ values() []string }

// custom is a type that reads itself.
type custom interface {
	decode(d *decoder, n *node, path string)
}

var (
	rangeType = reflect.TypeFor[image.Range]()
	coverType = reflect.TypeFor[Cover]()
)

func (d *decoder) value(n *node, v reflect.Value, path string) {
	if _, seen := d.where[path]; !seen {
		d.where[path] = n.offset
	}
	if c, ok := v.Addr().Interface().(custom); ok {
		c.decode(d, n, path)
		return
	}
	if v.Type() == rangeType {
		d.rangeValue(n, v.Addr().Interface().(*image.Range), path)
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		d.value(n, v.Elem(), path)
	case reflect.Struct:
		d.table(n, v, path)
	case reflect.Slice:
		d.slice(n, v, path)
	case reflect.Array:
		if n.kind != kindArray || len(n.items) != v.Len() {
			d.at(n.offset, path, "must be a list of %d values", v.Len())
			return
		}
		for i, item := range n.items {
			d.value(item, v.Index(i), index(path, i))
		}
	case reflect.String:
		if !d.want(n, path, kindString) {
			return
		}
		v.SetString(n.text)
		if e, ok := v.Interface().(enum); ok && !slices.Contains(e.values(), n.text) {
			d.at(n.offset, path, "unknown value %q%s; use one of %s", n.text, suggest(n.text, e.values()), strings.Join(e.values(), ", "))
		}
	case reflect.Bool:
		if d.want(n, path, kindBool) {
			v.SetBool(n.text == "true")
		}
	case reflect.Float64:
		if n.kind != kindInt && n.kind != kindFloat {
			d.at(n.offset, path, "must be a number, not %s", n.kind)
			return
		}
		f, err := parseFloat(n)
		if err != nil || math.IsInf(f, 0) || math.IsNaN(f) {
			d.at(n.offset, path, "%q is no finite number", n.text)
			return
		}
		v.SetFloat(f)
	case reflect.Int, reflect.Int64:
		if i, ok := d.integer(n, path); ok {
			if !i.IsInt64() {
				d.at(n.offset, path, "%s is out of range", n.text)
				return
			}
			v.SetInt(i.Int64())
		}
	case reflect.Uint64, reflect.Uint8:
		if i, ok := d.integer(n, path); ok {
			switch {
			case i.Sign() < 0:
				d.at(n.offset, path, "must not be negative")
			case i.BitLen() > v.Type().Bits():
				d.at(n.offset, path, "%s does not fit in %d bits", n.text, v.Type().Bits())
			default:
				v.SetUint(i.Uint64())
			}
		}
	default:
		panic("maps: no rule to decode " + v.Type().String()) // a mistake in the model, found by the first test
	}
}

func (d *decoder) want(n *node, path string, kind nodeKind) bool {
	if n.kind != kind {
		d.at(n.offset, path, "must be %s, not %s", kind, n.kind)
		return false
	}
	return true
}

func (d *decoder) rangeValue(n *node, r *image.Range, path string) {
	if !d.want(n, path, kindString) {
		return
	}
	parsed, err := image.ParseRange(n.text)
	if err != nil {
		d.at(n.offset, path, "%s", err)
		return
	}
	*r = parsed
}

// table fills the struct v and reports unknown and missing keys.
func (d *decoder) table(n *node, v reflect.Value, path string) {
	if !d.want(n, path, kindTable) {
		return
	}
	var known []string
	for i := range v.NumField() {
		field := v.Type().Field(i)
		name := field.Tag.Get("toml")
		if name == "" || name == "-" {
			continue
		}
		known = append(known, name)
		switch child := n.fields[name]; {
		case child != nil:
			d.value(child, v.Field(i), join(path, name))
		case strings.Contains(field.Tag.Get("jsonschema"), "required"):
			d.at(n.offset, join(path, name), "is missing")
		}
	}
	for _, key := range n.keys {
		if !slices.Contains(known, key) {
			d.at(n.fields[key].keyAt, join(path, key), "unknown key%s", suggest(key, known))
		}
	}
}

// slice fills a list. Bytes may be one number, a list of numbers or a string
// of hexadecimal digits; a list of ranges or cover entries may be a single one.
func (d *decoder) slice(n *node, v reflect.Value, path string) {
	elem := v.Type().Elem()
	if elem.Kind() == reflect.Uint8 && n.kind == kindString {
		text := strings.NewReplacer(" ", "", "_", "").Replace(n.text)
		b, err := hex.DecodeString(text)
		if err != nil || len(b) == 0 {
			d.at(n.offset, path, `%q is no list of bytes; write two hexadecimal digits a byte, such as "AA 55"`, n.text)
			return
		}
		v.SetBytes(b)
		return
	}
	items := n.items
	if n.kind != kindArray {
		if elem.Kind() != reflect.Uint8 && elem != rangeType && elem != coverType {
			d.at(n.offset, path, "must be a list, not %s%s", n.kind, listHint(n, elem, path))
			return
		}
		items = []*node{n}
	}
	out := reflect.MakeSlice(v.Type(), len(items), len(items))
	for i, item := range items {
		d.value(item, out.Index(i), index(path, i))
	}
	v.Set(out)
}

// listHint tells how a list of tables is written.
func listHint(n *node, elem reflect.Type, path string) string {
	if n.kind == kindTable && elem.Kind() == reflect.Struct {
		return fmt.Sprintf("; write [[%s]] above each entry", path)
	}
	return ""
}

// integer reads a TOML integer, or a string that holds one: the form for
// numbers above the 64 bits with sign that a TOML integer has.
func (d *decoder) integer(n *node, path string) (*big.Int, bool) {
	switch n.kind {
	case kindInt:
		i, ok := new(big.Int).SetString(strings.TrimPrefix(n.text, "+"), 0)
		if !ok {
			d.at(n.offset, path, "%q is no integer", n.text)
			return nil, false
		}
		if i.BitLen() > 64 {
			d.at(n.offset, path, "%s does not fit in 64 bits", n.text)
			return nil, false
		}
		if !i.IsInt64() {
			d.at(n.offset, path, "%s is above what a TOML integer holds; write it as a string: %q", n.text, n.text)
			return nil, false
		}
		return i, true
	case kindString:
		if !strings.HasPrefix(n.text, "0x") {
			break
		}
		if i, ok := new(big.Int).SetString(n.text, 0); ok {
			return i, true
		}
	}
	if n.kind == kindString {
		d.at(n.offset, path, `%q is no number; write an integer, or for one above 0x7FFFFFFFFFFFFFFF a string that begins with 0x`, n.text)
	} else {
		d.at(n.offset, path, "must be an integer, not %s", n.kind)
	}
	return nil, false
}

func parseFloat(n *node) (float64, error) {
	if n.kind == kindInt {
		i, ok := new(big.Int).SetString(strings.TrimPrefix(n.text, "+"), 0)
		if !ok {
			return 0, strconv.ErrSyntax
		}
		f, _ := new(big.Float).SetInt(i).Float64()
		return f, nil
	}
	return strconv.ParseFloat(strings.ReplaceAll(n.text, "_", ""), 64)
}

func (c *Constant) decode(d *decoder, n *node, path string) {
	i, ok := d.integer(n, path)
	if !ok {
		return
	}
	if i.Sign() < 0 {
		d.at(n.offset, path, "must not be negative")
		return
	}
	c.digits = strings.ToUpper(i.Text(16))
}

func (num *Number) decode(d *decoder, n *node, path string) {
	if n.kind == kindTable {
		num.Read = new(ReadNumber)
		d.value(n, reflect.ValueOf(num.Read).Elem(), path)
		return
	}
	d.value(n, reflect.ValueOf(&num.Const).Elem(), path)
}

func (g *Gaps) decode(d *decoder, n *node, path string) {
	switch {
	case n.kind == kindInt:
		g.Fill = new(byte)
		d.value(n, reflect.ValueOf(g.Fill).Elem(), path)
	case n.kind == kindString && n.text == "skip":
		g.Skip = true
	case n.kind == kindString && n.text == "error":
	default:
		d.at(n.offset, path, `must be "error", "skip", or the byte that counts for each missing one, such as 0xFF`)
	}
}

// coverTable is Cover without its methods, so that the decoder fills it as a
// plain table.
type coverTable Cover

func (c *Cover) decode(d *decoder, n *node, path string) {
	if n.kind == kindString {
		d.rangeValue(n, &c.Range, path)
		return
	}
	if n.kind != kindTable {
		d.at(n.offset, path, "must be a range or a table, not %s", n.kind)
		return
	}
	d.value(n, reflect.ValueOf((*coverTable)(c)).Elem(), path)
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// index names an item of a list; people count from 1.
func index(path string, i int) string { return fmt.Sprintf("%s[%d]", path, i+1) }

// suggest returns a question for the nearest of the known words, or "".
func suggest(word string, known []string) string {
	best, bestDistance := "", len(word)/3+2
	for _, k := range known {
		if dist := distance(strings.ToLower(word), strings.ToLower(k)); dist < bestDistance {
			best, bestDistance = k, dist
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf("; did you mean %q?", best)
}

// distance is the Levenshtein distance of two short words: the number of
// letters to insert, delete or replace.
func distance(a, b string) int {
	if len(a) > 64 || len(b) > 64 {
		return len(a) + len(b)
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j+1]+1, row[j]+1)
		}
	}
	return row[len(b)]
}
