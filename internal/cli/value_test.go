package cli

import (
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/spf13/pflag"
)

// values are one of each kind.
type values struct {
	text, choice, maybe string
	time                time.Duration
	n                   int
	seed                uint64
	speed               *float64
	files               []string
	steps               map[string]string
	afloat              *bool
}

func (v *values) flags(f *pflag.FlagSet) {
	f.VarP(Text(&v.text, "FILE"), "text", "t", "")
	f.Var(Choice(&v.choice, "FORMAT", "text", "json"), "choice", "")
	f.Var(Choice(&v.maybe, "SEVERITY", "info", "warning"), "maybe", "")
	f.Var(Duration(&v.time), "time", "")
	f.Var(Int(&v.n, "N"), "n", "")
	f.Var(Uint(&v.seed, "N"), "seed", "")
	f.Var(Float(&v.speed, "N"), "speed", "")
	f.Var(List(&v.files, "FILE"), "files", "")
	f.Var(Pairs(&v.steps, "STEP", "VERSION"), "steps", "")
	Either(f, &v.afloat, "afloat", "")
}

func TestValues(t *testing.T) {
	two, yes, no := 2.5, true, false
	for _, tt := range []struct {
		args string
		want values
		err  string
	}{
		{args: "", want: values{choice: "text", time: time.Minute, n: 3}},
		{args: "--text a --choice json --maybe info", want: values{text: "a", choice: "json", maybe: "info", time: time.Minute, n: 3}},
		{args: "--maybe= --time=-3s --n=-1 --seed 0x10", want: values{choice: "text", time: -3 * time.Second, n: -1, seed: 16}},
		{args: "--speed 2.5 --afloat", want: values{choice: "text", time: time.Minute, n: 3, speed: &two, afloat: &yes}},
		{args: "--no-afloat --no-afloat", want: values{choice: "text", time: time.Minute, n: 3, afloat: &no}},
		{args: "--no-afloat=false", want: values{choice: "text", time: time.Minute, n: 3, afloat: &yes}},
		{args: `--files a,b --files c\,d --files=`, want: values{choice: "text", time: time.Minute, n: 3, files: []string{"a", "b", "c,d"}}},
		{args: "--steps 1.1=a=b --steps 1.2= --steps 1.2=", want: values{choice: "text", time: time.Minute, n: 3, steps: map[string]string{"1.1": "a=b", "1.2": ""}}},

		{args: "--text=", err: `the value is empty: FILE`},
		{args: "--choice xml", err: `"xml" is not one of text, json`},
		{args: "--choice=", err: `"" is not one of text, json`},
		{args: "--maybe x", err: `"x" is not one of info, warning`},
		{args: "--time 5", err: `"5" is no time: write 30s, 5m or 1h30m`},
		{args: "--n 1.5", err: `"1.5" is not a whole number`},
		{args: "--n 99999999999999999999", err: `99999999999999999999 is out of range`},
		{args: "--seed=-1", err: `"-1" is not a whole number of 0 or more`},
		{args: "--speed fast", err: `"fast" is not a number`},
		{args: "--steps 1.1", err: `"1.1" is not STEP=VERSION`},
		{args: "--steps =1", err: `"=1" is not STEP=VERSION`},
		{args: "--steps 1=a --steps 1=b", err: `1 is given as "a" and as "b"`},
		{args: "--afloat=perhaps", err: `"perhaps" is neither true nor false`},
		{args: "--afloat --no-afloat", err: `the opposite is given too`},
	} {
		v := values{choice: "text", time: time.Minute, n: 3}
		f := pflag.NewFlagSet("", pflag.ContinueOnError)
		f.SetOutput(io.Discard)
		v.flags(f)
		err := f.Parse(strings.Fields(tt.args))
		if tt.err != "" {
			if err == nil || !strings.HasSuffix(err.Error(), ": "+tt.err) {
				t.Errorf("%s: %v, want %q", tt.args, err, tt.err)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", tt.args, err)
		}
		if d := cmp.Diff(tt.want, v, cmp.AllowUnexported(values{})); d != "" {
			t.Errorf("%s (-want +got)\n%s", tt.args, d)
		}
	}
}

func TestDefaultsAreShown(t *testing.T) {
	for in, want := range map[time.Duration]string{0: "", time.Minute: "1m", 90 * time.Second: "1m30s", 2 * time.Hour: "2h", 10 * time.Second: "10s"} {
		if got := Duration(&in).String(); got != want {
			t.Errorf("%d: %q, want %q", in, got, want)
		}
	}
}
