package nmea0183

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestVersions(t *testing.T) {
	whole := Version{DeviceType: "SD", Vendor: "GAN", UniqueID: "0042", Serial: "S-77", Model: "Gannet SD2 sounder", Software: "1.20,b", Hardware: "C"}
	const (
		first  = "$SDVER,2,1,SD,GAN,0042,S-77,,,,3"
		second = "$SDVER,2,2,,,,,Gannet SD2 sounder,1.20^2cb,C,3"
	)
	tests := []struct {
		name string
		in   []string
		want Version // given by the last sentence
		ok   bool
	}{
		{"one sentence", []string{"$SDVER,1,1,SD,GAN,0042,S-77,Gannet SD2 sounder,1.20^2Cb,C,3"}, whole, true},
		{"filled by a second", []string{first, second}, whole, true},
		{"not yet whole", []string{first}, Version{}, false},
		{"first part lost", []string{second}, Version{}, false},
		{"second part twice", []string{first, second, second}, Version{}, false},
		{"of another sequence", []string{first, strings.Replace(second, "C,3", "C,4", 1)}, Version{}, false},
		{"a text in two parts", []string{"$SDVER,2,1,SD,GAN,0042,S-77,Gannet SD2^5F,1.20,,3", "$SDVER,2,2,,,,,sounder,,,3"},
			Version{DeviceType: "SD", Vendor: "GAN", UniqueID: "0042", Serial: "S-77", Model: "Gannet SD2_sounder", Software: "1.20"}, true},
		{"a new one replaces the old", []string{"$SDVER,1,1,SD,GAN,0041,S-76,x,1.10,A,2", first, second}, whole, true},
		{"short", []string{"$SDVER,1,1,SD,GAN"}, Version{DeviceType: "SD", Vendor: "GAN"}, true},
		{"empty", []string{"$SDVER,,,"}, Version{}, true},
		{"no fields", []string{"$SDVER,1"}, Version{}, false},
		{"bad checksum", []string{"$SDVER,1,1,SD,GAN*00"}, Version{}, false},
		{"not printable", []string{"$SDVER,1,1,SD,GAN,^00^1b^E9"}, Version{DeviceType: "SD", Vendor: "GAN", UniqueID: "??é"}, true},
		{"another type", []string{"$SDHBT,1,1,SD,GAN"}, Version{}, false},
		{"endless text", []string{"$SDVER,3,1,,,,,a", "$SDVER,3,2,,,,," + strings.Repeat("b", 130), "$SDVER,3,3,,,,,c"}, Version{Model: "ac"}, true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var (
				joiner Versions
				got    Version
				ok     bool
			)
			for _, line := range tt.in {
				got, ok = joiner.Add(parse(t, line))
			}
			if !ok {
				got = Version{}
			}
			if diff := cmp.Diff(tt.want, got); diff != "" || ok != tt.ok {
				t.Errorf("ok = %v, want %v (-want +got):\n%s", ok, tt.ok, diff)
			}
		})
	}
}

func TestReadHeartbeat(t *testing.T) {
	tests := []struct {
		name, in string
		want     Heartbeat
		ok       bool
	}{
		{"normal", "$SDHBT,30.0,A,5", Heartbeat{IntervalSec: 30, Normal: true, StatusGiven: true, Sequence: 5}, true},
		{"not normal", "$SDHBT,30,V,0", Heartbeat{IntervalSec: 30, StatusGiven: true}, true},
		{"answer to a query", "$SDHBT,,A,", Heartbeat{Normal: true, StatusGiven: true, Sequence: -1}, true},
		{"two fields", "$SDHBT,60,A", Heartbeat{IntervalSec: 60, Normal: true, StatusGiven: true, Sequence: -1}, true},
		{"nonsense", "$SDHBT,Inf,x,77", Heartbeat{Sequence: -1}, true},
		{"another type", "$SDTXT,1,1,1,x", Heartbeat{}, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, ok := ReadHeartbeat(parse(t, tt.in))
			if diff := cmp.Diff(tt.want, got); diff != "" || ok != tt.ok {
				t.Errorf("ok = %v, want %v (-want +got):\n%s", ok, tt.ok, diff)
			}
		})
	}
}

func TestReadText(t *testing.T) {
	tests := []struct {
		name, in string
		want     Text
		ok       bool
	}{
		{"number 2 of 1 counts as not given", "$GNTXT,01,02,02,FW 3.01", Text{ID: "02", Text: "FW 3.01"}, true},
		{"of two", "$GNTXT,02,01,07,FW 3.01", Text{Total: 2, Number: 1, ID: "07", Text: "FW 3.01"}, true},
		{"commas and escapes", "$GNTXT,1,1,7,a,b^2Cc", Text{Total: 1, Number: 1, ID: "7", Text: "a,b,c"}, true},
		{"UTF-8, ISO 8859-1, escaped, not printable", "$GNTXT,1,1,7,\u00e4\xe4^E4\u202e", Text{Total: 1, Number: 1, ID: "7", Text: "äää?"}, true},
		{"panics in the library", "$GPTXT*4F", Text{}, false},
		{"panics in the library too", "$GNTXT,01,01", Text{}, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, ok := ReadText(parse(t, tt.in))
			if diff := cmp.Diff(tt.want, got); diff != "" || ok != tt.ok {
				t.Errorf("ok = %v, want %v (-want +got):\n%s", ok, tt.ok, diff)
			}
		})
	}
}
