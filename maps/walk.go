package maps

import (
	"fmt"
	"iter"
	"math/bits"

	"example.com/calproof/image"
)

// records yields one instance a record of a table in the image.
func (rs *resolver) records(r *Rule) iter.Seq[instance] {
	rec := r.Records
	return func(yield func(instance) bool) {
		at, err := rs.address(&rec.At, 0)
		limit, err2 := rs.limit(rec.Count)
		if err != nil || err2 != nil {
			yield(instance{rule: r, n: 1, err: first(err, err2)})
			return
		}
		for k := uint64(0); k < limit; k++ {
			in := instance{rule: r, n: int(k) + 1}
			over, shift := bits.Mul64(k, rec.Size)
			base, carry := bits.Add64(at, shift, over)
			if carry != 0 || over != 0 {
				in.err = fmt.Errorf("record %d lies past the top of the 64-bit address space", in.n)
				yield(in)
				return
			}
			raw, _, err := rs.raw(&rec.Start, base, 0)
			if err == nil && rec.Stop != nil && raw == *rec.Stop {
				rs.none(r, k, yield)
				return
			}
			if err == nil {
				in, err = rs.record(in, base)
			}
			if err != nil {
				in.err = err
			}
			if !yield(in) || in.err != nil {
				return
			}
		}
		if rec.Stop != nil && rec.Count == nil {
			yield(instance{rule: r, n: MaxRepeats, err: fmt.Errorf("the table has no end within %d records", MaxRepeats)})
		}
	}
}

func (rs *resolver) record(in instance, base uint64) (instance, error) {
	rec := in.rule.Records
	start, err := rs.number(&rec.Start, base, 0)
	if err != nil {
		return in, err
	}
	var where image.Range
	switch {
	case rec.Length != nil:
		n, err := rs.number(rec.Length, base, 0)
		if err != nil {
			return in, err
		}
		if n == 0 {
			return in, fmt.Errorf("the length in the record at 0x%X is zero", base)
		}
		where, err = sized(start, n)
		if err != nil {
			return in, err
		}
	case rec.Last != nil:
		last, err := rs.number(rec.Last, base, 0)
		if err != nil {
			return in, err
		}
		if where, err = upTo(start, last); err != nil {
			return in, err
		}
	default:
		end, err := rs.number(rec.End, base, 0)
		if err != nil {
			return in, err
		}
		if where, err = before(start, end); err != nil {
			return in, err
		}
	}
	return in.item(where, base, rec.Sum)
}

// list yields one instance an item of a list that is walked by its lengths.
func (rs *resolver) list(r *Rule) iter.Seq[instance] {
	l := r.List
	return func(yield func(instance) bool) {
		base, err := rs.address(&l.At, 0)
		limit, err2 := rs.limit(l.Count)
		if err != nil || err2 != nil {
			yield(instance{rule: r, n: 1, err: first(err, err2)})
			return
		}
		for k := uint64(0); k < limit; k++ {
			in := instance{rule: r, n: int(k) + 1}
			raw, _, err := rs.raw(&l.Length, base, 0)
			if err == nil && l.Stop != nil && raw == *l.Stop {
				rs.none(r, k, yield)
				return
			}
			var next uint64
			if err == nil {
				in, next, err = rs.listItem(in, base)
			}
			if err != nil {
				in.err = err
			}
			if !yield(in) || in.err != nil {
				return
			}
			base = next
		}
		if l.Stop != nil && l.Count == nil {
			yield(instance{rule: r, n: MaxRepeats, err: fmt.Errorf("the list has no end within %d items", MaxRepeats)})
		}
	}
}

// listItem returns the item at base and the address of the next one, which
// lies further on.
func (rs *resolver) listItem(in instance, base uint64) (instance, uint64, error) {
	l := in.rule.List
	n, err := rs.number(&l.Length, base, 0)
	if err != nil {
		return in, 0, err
	}
	if n == 0 {
		return in, 0, fmt.Errorf("the length of the item at 0x%X is zero", base)
	}
	start, carry := bits.Add64(base, l.Data, 0)
	if carry != 0 {
		return in, 0, fmt.Errorf("the item at 0x%X runs past the top of the 64-bit address space", base)
	}
	where, err := sized(start, n)
	if err != nil {
		return in, 0, err
	}
	from, offset := base, l.Sum
	if l.SumAfter != nil {
		from, offset = where.Last()+1, l.SumAfter
	}
	if in, err = in.item(where, from, *offset); err != nil {
		return in, 0, err
	}
	next := where.Last() + 1 + l.Tail
	if rest := next % l.Align; rest != 0 {
		next += l.Align - rest
	}
	if next <= base {
		return in, 0, fmt.Errorf("the item at 0x%X runs past the top of the 64-bit address space", base)
	}
	return in, next, nil
}

// item fills in the range of a record or list item, and its field.
func (in instance) item(where image.Range, base, sum uint64) (instance, error) {
	in.pieces = []piece{{where: where}}
	for _, c := range in.rule.Count {
		in.masks = append(in.masks, mask{c.Range, c.As})
	}
	at, carry := bits.Add64(base, sum, 0)
	if carry != 0 {
		return in, fmt.Errorf("the stored value lies past the top of the 64-bit address space")
	}
	if in.rule.Stored == nil {
		return in.sorted(), nil
	}
	in = in.stores(at)
	return in, in.err
}

// none yields an instance that says so if a table or list ended before its
// first entry: a rule that was evaluated for nothing must not look proved.
func (rs *resolver) none(r *Rule, seen uint64, yield func(instance) bool) {
	if seen == 0 {
		yield(instance{rule: r, n: 1, err: errNoEntries})
	}
}

// limit returns how many entries to look at.
func (rs *resolver) limit(count *Number) (uint64, error) {
	if count == nil {
		return MaxRepeats, nil
	}
	n, err := rs.amount(count, 0)
	if err == nil && (n == 0 || n > MaxRepeats) {
		err = fmt.Errorf("the number of entries is %d; 1 to %d are allowed", n, MaxRepeats)
	}
	return n, err
}

func first(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
