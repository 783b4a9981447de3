package snapshot

import "testing"

func TestFirstDifference(t *testing.T) {
	for _, tt := range []struct {
		name, a, b, path string
		ok               bool
	}{
		{"same", `{"a":1,"b":[true,null]}`, `{ "b": [true, null], "a": 1 }`, "", false},
		{"deep", `{"devices":[{},{"product":{"software":"4.47"}}]}`, `{"devices":[{},{"product":{"software":"4.5"}}]}`, "devices[1].product.software", true},
		{"first by name", `{"b":1,"a":1}`, `{"b":2,"a":2}`, "a", true},
		{"missing member", `{"a":{"x":1}}`, `{"a":{"x":1,"y":null}}`, "a.y", true},
		{"null is not absent", `{"a":null}`, `{}`, "a", true},
		{"longer list", `[1,2]`, `[1,2,3]`, "[2]", true},
		{"shorter list", `{"l":[1,2]}`, `{"l":[1]}`, "l[1]", true},
		{"kind", `{"a":[1]}`, `{"a":{"0":1}}`, "a", true},
		{"scalar for list", `{"a":1}`, `{"a":[1]}`, "a", true},
		{"number and text", `{"a":1}`, `{"a":"1"}`, "a", true},
		{"beyond double precision", `[9007199254740993]`, `[9007199254740992]`, "[0]", true},
		{"whole", `1`, `2`, "", true},
		{"odd name", `{"a":{"b c":1}}`, `{"a":{"b c":2}}`, `a["b c"]`, true},
		{"no JSON", `{"a":`, `{"a":1}`, "", false},
		{"more than one value", `1 2`, `1`, "", false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if path, ok := FirstDifference([]byte(tt.a), []byte(tt.b)); path != tt.path || ok != tt.ok {
				t.Errorf("got %q %v, want %q %v", path, ok, tt.path, tt.ok)
			}
			if path, ok := FirstDifference([]byte(tt.b), []byte(tt.a)); path != tt.path || ok != tt.ok {
				t.Errorf("the other way round: got %q %v, want %q %v", path, ok, tt.path, tt.ok)
			}
		})
	}
}

func FuzzFirstDifference(f *testing.F) {
	for _, s := range [][2]string{{`{"a":[1,{"b":null}]}`, `{"a":[1,{"b":0}]}`}, {`[]`, `{}`}, {`"x"`, `"x`}, {``, ` `}} {
		f.Add([]byte(s[0]), []byte(s[1]))
	}
	f.Fuzz(func(t *testing.T, a, b []byte) {
		p, there := FirstDifference(a, b)
		q, back := FirstDifference(b, a)
		if p != q || there != back {
			t.Errorf("%q %v one way, %q %v the other", p, there, q, back)
		}
		if p, ok := FirstDifference(a, a); ok {
			t.Errorf("differs from itself at %q", p)
		}
	})
}
