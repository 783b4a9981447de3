package release

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func scheme(t interface{ Fatal(...any) }, n Numbering) *Scheme {
	s, err := n.Compile()
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func parse(t interface{ Fatal(...any) }, s *Scheme, text string) Version {
	v, err := s.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestCompare(t *testing.T) {
	list := Numbering{Scheme: List, Order: []string{"A", "B", "B2", "D"}}
	for _, tt := range []struct {
		n    Numbering
		a, b string
		want int
	}{
		{Numbering{Scheme: Decimal}, "4.5", "4.47", 1},
		{Numbering{Scheme: Dotted}, "4.5", "4.47", -1},
		{Numbering{Scheme: Decimal}, "4.5", "4.50", 0},
		{Numbering{Scheme: Decimal}, "4", "4.00", 0},
		{Numbering{Scheme: Decimal}, "10.1", "9.95", 1},
		{Numbering{Scheme: Decimal}, "004.5", "4.5", 0},
		{Numbering{Scheme: Decimal}, "v4.50+lf7", "4.5", 0},
		{Numbering{Scheme: Dotted}, "4.5", "4.5.0", 0},
		{Numbering{Scheme: Dotted}, "4.5.0.1", "4.5", 1},
		{Numbering{Scheme: Dotted}, "SW 4.5", "sw4.47", -1},
		{Numbering{Scheme: Dotted}, "4.47\x00\x00\xff\xff", "4.47   ", 0},
		{Numbering{Scheme: Dotted}, "4.47@@@@", "\ufffd4.47", 0},
		{Numbering{Scheme: Dotted}, "99999999999999999999999.1", "99999999999999999999998.9", 1},
		{Numbering{Scheme: Dotted}, "1.0-rc.1", "1.0", -1},
		{Numbering{Scheme: Date}, "2026-01-15", "20250301", 1},
		{Numbering{Scheme: Date}, "2026.01.15", "2026/01/15", 0},
		{Numbering{Scheme: Date, Pattern: `fw ([0-9]{8})`}, "Tavrik 7 fw 20250301 b7", "fw 20260115", -1},
		{Numbering{Scheme: Decimal, Pattern: `v([0-9.]+)`}, "LF9 v4.50 build 1234", "LF9 v4.47 build 9999", 1},
		{list, "B2", "B", 1},
		{list, "A", "D", -1},
	} {
		t.Run(fmt.Sprintf("%s/%q/%q", tt.n.Scheme, tt.a, tt.b), func(t *testing.T) {
			s := scheme(t, tt.n)
			got, err := Compare(parse(t, s, tt.a), parse(t, s, tt.b))
			if err != nil || got != tt.want {
				t.Errorf("got %d, %v; want %d", got, err, tt.want)
			}
		})
	}
}

// What cannot be put in order is an error, never a guess.
func TestParseRefuses(t *testing.T) {
	for _, tt := range []struct {
		n    Numbering
		in   string
		want error
	}{
		{Numbering{Scheme: Decimal}, "", ErrEmpty},
		{Numbering{Scheme: Decimal}, " \x00\xff", ErrEmpty},
		{Numbering{Scheme: Decimal}, "4.47.1", ErrForm},
		{Numbering{Scheme: Decimal}, "4.5b", ErrForm},
		{Numbering{Scheme: Decimal}, "4.", ErrForm},
		{Numbering{Scheme: Decimal}, "four", ErrForm},
		{Numbering{Scheme: Decimal}, "-4.5", ErrForm},
		{Numbering{Scheme: Dotted}, "4..5", ErrForm},
		{Numbering{Scheme: Dotted}, "4.5 build 7", ErrForm},
		{Numbering{Scheme: Dotted}, "1.0-", ErrForm},
		{Numbering{Scheme: Dotted}, "1.0-a..b", ErrForm},
		{Numbering{Scheme: Dotted}, "١.٢", ErrForm},
		{Numbering{Scheme: Date}, "2026-02-30", ErrForm},
		{Numbering{Scheme: Date}, "01022026", ErrForm},
		{Numbering{Scheme: Date}, "260115", ErrForm},
		{Numbering{Scheme: Decimal, Pattern: `v([0-9.]+)`}, "4.50", ErrPattern},
		{Numbering{Scheme: Decimal, Pattern: `v([0-9.]*)`}, "v", ErrEmpty},
		{Numbering{Scheme: List, Order: []string{"A", "B"}}, "C", ErrUnlisted},
	} {
		t.Run(fmt.Sprintf("%s/%q", tt.n.Scheme, tt.in), func(t *testing.T) {
			if _, err := scheme(t, tt.n).Parse(tt.in); !errors.Is(err, tt.want) {
				t.Errorf("got %v, want %v", err, tt.want)
			}
		})
	}
	s := scheme(t, Numbering{Scheme: Dotted})
	if _, err := Compare(parse(t, s, "A4.5"), parse(t, s, "B4.6")); !errors.Is(err, ErrPrefix) {
		t.Errorf("A4.5 and B4.6 were put in order: %v", err)
	}
}

func TestCompileRefuses(t *testing.T) {
	for _, n := range []Numbering{{}, {Scheme: "semver"}, {Scheme: Dotted, Pattern: "("}, {Scheme: Dotted, Pattern: "[0-9]+"},
		{Scheme: Dotted, Pattern: "(a)(b)"}, {Scheme: List}, {Scheme: List, Order: []string{"A", "A "}}, {Scheme: List, Order: []string{""}},
		{Scheme: Dotted, Order: []string{"A"}}} {
		if _, err := n.Compile(); err == nil {
			t.Errorf("%+v was accepted", n)
		}
	}
}

// The examples of semver.org 2.0.0 §11.2, §11.3, §11.4.4 and §10.
func TestDottedAgainstSemver(t *testing.T) {
	s := scheme(t, Numbering{Scheme: Dotted})
	for _, chain := range [][]string{
		{"1.0.0", "2.0.0", "2.1.0", "2.1.1"},
		{"1.0.0-alpha", "1.0.0"},
		{"1.0.0-alpha", "1.0.0-alpha.1", "1.0.0-alpha.beta", "1.0.0-beta", "1.0.0-beta.2", "1.0.0-beta.11", "1.0.0-rc.1", "1.0.0"},
	} {
		for i := range chain {
			for j := range chain {
				got, err := Compare(parse(t, s, chain[i]), parse(t, s, chain[j]))
				if err != nil || got != sign(i-j) {
					t.Errorf("%s against %s: %d, %v", chain[i], chain[j], got, err)
				}
			}
		}
	}
	for _, text := range []string{"1.0.0-alpha+001", "1.0.0+20130313144700", "1.0.0-beta+exp.sha.5114f85", "1.0.0+21AF26D3---117B344092BD"} {
		plain, _, _ := strings.Cut(text, "+")
		if c, err := Compare(parse(t, s, text), parse(t, s, plain)); err != nil || c != 0 {
			t.Errorf("%s: build metadata counts: %d, %v", text, c, err)
		}
	}
}

// Debian's own comparison orders dotted versions of equal length (deb-version(7) has 1.0 older than 1.0.0, where we
// have them equal).
func TestDottedAgainstDpkg(t *testing.T) {
	dpkg, err := exec.LookPath("dpkg")
	if err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatal("dpkg is not installed")
		}
		t.Skip("dpkg is not installed")
	}
	s := scheme(t, Numbering{Scheme: Dotted})
	texts := []string{"4.5", "4.47", "4.50", "4.05", "10.0", "9.99", "0.1", "0.0"}
	for _, a := range texts {
		for _, b := range texts {
			got, err := Compare(parse(t, s, a), parse(t, s, b))
			if err != nil {
				t.Fatal(err)
			}
			op := []string{"lt", "eq", "gt"}[got+1]
			if err := exec.Command(dpkg, "--compare-versions", a, op, b).Run(); err != nil {
				t.Errorf("%s %s %s: dpkg says no: %v", a, op, b, err)
			}
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 5).Draw(t, "parts")
		draw := func(name string) string {
			parts := rapid.SliceOfN(rapid.StringMatching(`(0|[1-9][0-9]{0,2}|0[0-9])`), n, n).Draw(t, name)
			return strings.Join(parts, ".")
		}
		a, b := draw("a"), draw("b")
		got, err := Compare(parse(t, s, a), parse(t, s, b))
		if err != nil {
			t.Fatal(err)
		}
		op := []string{"lt", "eq", "gt"}[got+1]
		if err := exec.Command(dpkg, "--compare-versions", a, op, b).Run(); err != nil {
			t.Errorf("%s %s %s: dpkg says no", a, op, b)
		}
	})
}

// Every scheme is a total order over what it reads: reflexive, antisymmetric, transitive, and never an error.
func TestTotalOrder(t *testing.T) {
	order := []string{"A", "B", "B2", "D", "E", "rev 7"}
	for _, tt := range []struct {
		n   Numbering
		gen *rapid.Generator[string]
	}{
		{Numbering{Scheme: Decimal}, rapid.StringMatching(`v?[0-9]{1,3}(\.[0-9]{1,3})?(\+[a-z]{1,3})?`)},
		{Numbering{Scheme: Dotted}, rapid.StringMatching(`v?[0-9]{1,2}(\.[0-9]{1,2}){0,3}(-[a-c0-9]{1,2}(\.[a-c0-9]{1,2}){0,2})?(\+b)?`)},
		{Numbering{Scheme: Date}, rapid.StringMatching(`(19|20)[0-9]{2}(0[1-9]|1[0-2])(0[1-9]|1[0-9]|2[0-8])`)},
		{Numbering{Scheme: List, Order: order}, rapid.SampledFrom(order)},
	} {
		t.Run(tt.n.Scheme, func(t *testing.T) {
			s := scheme(t, tt.n)
			rapid.Check(t, func(t *rapid.T) {
				var v [3]Version
				for i := range v {
					v[i] = parse(t, s, tt.gen.Draw(t, "v"))
				}
				cmp := func(a, b Version) int {
					c, err := Compare(a, b)
					if err != nil {
						t.Fatal(err)
					}
					return c
				}
				if cmp(v[0], v[0]) != 0 || cmp(v[0], v[1]) != -cmp(v[1], v[0]) {
					t.Fatalf("%q and %q: not antisymmetric", v[0].Text, v[1].Text)
				}
				slices.SortFunc(v[:], cmp)
				if cmp(v[0], v[1]) > 0 || cmp(v[1], v[2]) > 0 || cmp(v[0], v[2]) > 0 {
					t.Fatalf("%q %q %q: not transitive", v[0].Text, v[1].Text, v[2].Text)
				}
				if cmp(v[0], v[1]) == 0 && cmp(v[1], v[2]) != cmp(v[0], v[2]) {
					t.Fatalf("%q %q %q: equals differ", v[0].Text, v[1].Text, v[2].Text)
				}
			})
		})
	}
}

// A decimal orders as its value does.
func TestDecimalIsArithmetic(t *testing.T) {
	s := scheme(t, Numbering{Scheme: Decimal})
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.IntRange(0, 99999).Draw(t, "a"), rapid.IntRange(0, 99999).Draw(t, "b")
		write := func(n int) string {
			text := fmt.Sprintf("%d.%03d", n/1000, n%1000)
			if rapid.Bool().Draw(t, "short") {
				text = strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
				if n/1000 == 0 && n%1000 == 0 || n%1000 == 0 {
					text = fmt.Sprint(n / 1000)
				}
			}
			return text
		}
		got, err := Compare(parse(t, s, write(a)), parse(t, s, write(b)))
		if err != nil || got != sign(a-b) {
			t.Fatalf("%d against %d: %d, %v", a, b, got, err)
		}
	})
}

func FuzzVersion(f *testing.F) {
	for _, s := range []string{"4.50", "v1.0.0-alpha.1+b", "2026-01-15", "B2", "", "\x00\xff", "SW 4.47@@@", "1.-a", "00.00"} {
		f.Add(s)
	}
	var all []*Scheme
	for _, n := range []Numbering{{Scheme: Decimal}, {Scheme: Dotted}, {Scheme: Date}, {Scheme: List, Order: []string{"A", "B2"}},
		{Scheme: Dotted, Pattern: `v([0-9.]*)`}} {
		all = append(all, scheme(f, n))
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, s := range all {
			v, err := s.Parse(text)
			if err != nil {
				continue
			}
			if c, err := Compare(v, v); err != nil || c != 0 {
				t.Errorf("%q is not itself", text)
			}
		}
	})
}
