package pgn

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// same compares values bit by bit; NaN is equal to itself.
var same = cmp.Options{
	cmp.Comparer(func(a, b *Field) bool { return a == b }),
	cmp.Comparer(func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }),
	cmp.Comparer(bytes.Equal),
}

// checkPayload holds what must be true of any payload.
func checkPayload(d *Definition, p []byte) error {
	values, err := d.Decode(p, nil)
	if len(p) > 0 && len(values) == 0 {
		return errors.New("no values")
	}
	for _, v := range values {
		if v.State != Available && v.Number == v.Number {
			return fmt.Errorf("%s is %s and yet the number %g", v.Field.Key, v.State, v.Number)
		}
		_ = v.String() + v.Name() + v.Str()
	}
	// The walk through the fields is the oracle of the fast path.
	slow, slowErr := d.For(p).decodeAny(p, nil)
	if diff := cmp.Diff(slow, values, same); diff != "" || (err == nil) != (slowErr == nil) {
		return fmt.Errorf("fast path differs (-slow +fast): %s; %v, %v", diff, slowErr, err)
	}
	available := false
	for _, v := range values {
		if v.Field.Role == RoleData && v.State == Available && !(v.Field.Type == Raw && allOnes(v.Text)) {
			available = true
		}
	}
	if got := d.Available(p); got != available {
		return fmt.Errorf("Available = %t, but the values say %t", got, available)
	}
	if len(p) > d.Transport.MaxLength() { // no message is that long, nor has it to be written again
		return nil
	}
	q, err := d.Encode(nil, values)
	if errors.Is(err, ErrTooLong) {
		return nil
	}
	if err != nil {
		return err
	}
	again, err := d.Decode(q, nil)
	if err != nil {
		return fmt.Errorf("% X comes back as % X: %w", p, q, err)
	}
	missing := len(values)
	for missing > 0 && values[missing-1].State == Missing {
		missing--
	}
	for i := range again {
		if i < missing && !cmp.Equal(values[i], again[i], same) {
			return fmt.Errorf("% X comes back as % X:\n%+v\n%+v", p, q, values[i], again[i])
		}
		if i >= missing && again[i].State != Missing {
			return fmt.Errorf("% X comes back as % X: %s is %s", p, q, again[i].Field.Key, again[i].State)
		}
	}
	if len(again) < missing {
		return fmt.Errorf("% X comes back as % X: %d of %d values", p, q, len(again), missing)
	}
	return nil
}

func TestAnyPayload(t *testing.T) {
	all := layouts()
	rapid.Check(t, func(t *rapid.T) {
		d := all[rapid.IntRange(0, len(all)-1).Draw(t, "message")]
		p := rapid.SliceOfN(rapid.Byte(), 0, d.Transport.MaxLength()).Draw(t, "payload")
		if len(p) > 0 && len(d.variants) > 0 {
			p[0] %= 9
		}
		if err := checkPayload(d, p); err != nil {
			t.Fatalf("%d: %v", d.PGN, err)
		}
	})
}

// TestBuildAndDecode gives random numbers within the range of each field and expects them back within half a step.
func TestBuildAndDecode(t *testing.T) {
	all := layouts()
	rapid.Check(t, func(t *rapid.T) {
		d := all[rapid.IntRange(0, len(all)-1).Draw(t, "message")]
		repeats := rapid.IntRange(0, 4).Draw(t, "repeats")
		type at struct {
			f      *Field
			repeat int
		}
		given := make(map[at]float64)
		p, err := d.Build(nil, func(f *Field, repeat int) (float64, string, bool) {
			if len(d.variants) > 0 && f.index == 0 {
				return 0, "", true
			}
			if f.Type >= Text || f.Role == RoleCount || f.part != partNone || f.Group != 0 && repeat >= repeats && f.Width != 2 {
				return 0, "", false
			}
			lo, hi := int64(0), int64(min(f.max-f.special, 1<<52))
			if f.Type == Signed {
				lo = -hi
			}
			n := float64(rapid.Int64Range(lo, hi).Draw(t, f.Key))*f.mul/f.div + f.Origin
			given[at{f, repeat}] = n
			return n, "", true
		})
		if err != nil {
			t.Fatalf("%d: %v", d.PGN, err)
		}
		values, err := d.Decode(p, nil)
		if err != nil {
			t.Fatalf("%d: %v", d.PGN, err)
		}
		for _, v := range values {
			want, ok := given[at{v.Field, int(v.Repeat)}]
			if !ok {
				continue
			}
			delete(given, at{v.Field, int(v.Repeat)})
			if v.State == NotAvailable && v.Raw&int64(v.Field.mask) == int64(v.Field.absent) {
				continue
			}
			if v.State != Available || math.Abs(v.Number-want) > v.Field.Resolution/2+math.Abs(want)*1e-15 {
				t.Fatalf("%d %s: %g comes back as %g, %s", d.PGN, v.Field.Key, want, v.Number, v.State)
			}
		}
		if len(given) > 0 {
			t.Fatalf("%d: lost %v in % X", d.PGN, given, p)
		}
	})
}

// FuzzDecode goes through the whole table: the first argument picks the message.
func FuzzDecode(f *testing.F) {
	all := layouts()
	for i, d := range all {
		for _, code := range codes(d) {
			p := sample(f, d, code)
			f.Add(uint8(i), p)
			f.Add(uint8(i), p[:len(p)/2])
		}
	}
	f.Add(uint8(8), []byte{4, 0, 0xFF, 0, 0, 0, 0, 255, 255})
	f.Fuzz(func(t *testing.T, i uint8, p []byte) {
		d := all[int(i)%len(all)]
		if err := checkPayload(d, p); err != nil {
			t.Errorf("%d: %v", d.PGN, err)
		}
		_, _ = d.Instance(p)
		_, _ = d.Selector(p)
	})
}
