package diffmap

import (
	"fmt"
	"reflect"
	"strings"

	"example.com/calproof/maps"
)

// DiffMaps compares two region maps by what they say: a unified diff of their
// [MapListing]s, "" if they say the same. Comments, the order of keys and how a
// number or a range is written make no difference.
func DiffMaps(nameA string, a *maps.Map, nameB string, b *maps.Map) string {
	return DiffText(nameA, MapListing(a), nameB, MapListing(b))
}

// MapListing writes what a map says as text, one value a line. Each line starts
// with the name of the region, rule, table or field it belongs to. Values that
// are zero, empty or not given are left out; addresses and sizes are
// hexadecimal.
func MapListing(m *maps.Map) string {
	var l mapLister
	top := reflect.ValueOf(*m)
	for i := range top.NumField() {
		field := top.Type().Field(i)
		name := field.Tag.Get("toml")
		if name == "" || name == "-" {
			continue
		}
		v := top.Field(i)
		if v.Kind() != reflect.Slice {
			l.value(name, v, false)
			continue
		}
		for k := range v.Len() {
			item := v.Index(k)
			l.value(fmt.Sprintf("%s %q", name, item.FieldByName("Name").String()), item, false)
		}
	}
	return l.out.String()
}

type mapLister struct{ out strings.Builder }

// value writes v under path; given says that the map states it, so that it is
// written even if it is zero.
func (l *mapLister) value(path string, v reflect.Value, given bool) {
	switch x := v.Interface().(type) {
	case maps.Number: // a constant, or a place in the image
		if x.Read == nil {
			fmt.Fprintf(&l.out, "%s = 0x%X\n", path, x.Const)
		} else {
			l.value(path, reflect.ValueOf(*x.Read), true)
		}
		return
	case []byte:
		if len(x) > 0 {
			fmt.Fprintf(&l.out, "%s = % X\n", path, x)
		}
		return
	case fmt.Stringer: // a range, a constant
		if v.Kind() == reflect.Pointer {
			break
		}
		if given || !v.IsZero() {
			fmt.Fprintf(&l.out, "%s = %s\n", path, x)
		}
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			l.value(path, v.Elem(), true)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if f := v.Type().Field(i); f.IsExported() {
				l.value(path+"."+keyOf(f), v.Field(i), false)
			}
		}
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			l.value(fmt.Sprintf("%s[%d]", path, i), v.Index(i), true)
		}
	default:
		if given || !v.IsZero() {
			fmt.Fprintf(&l.out, "%s = %s\n", path, scalar(v))
		}
	}
}

func keyOf(f reflect.StructField) string {
	if name := f.Tag.Get("toml"); name != "" {
		return name
	}
	return strings.ToLower(f.Name)
}

func scalar(v reflect.Value) string {
	switch v.Kind() {
	case reflect.String:
		return fmt.Sprintf("%q", v.String())
	case reflect.Uint64, reflect.Uint8:
		return fmt.Sprintf("0x%X", v.Uint())
	}
	return fmt.Sprint(v.Interface())
}
