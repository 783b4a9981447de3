package quantity

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"
)

// sphereError bounds how far a distance on the sphere of mean radius is from the geodesic of the ellipsoid: 0.56 %, the worst is along
// the meridian at the equator, where the ellipsoid's radius is b²/a.
const sphereError = 0.0056

// TestDistancePublished holds distances against the example of the manual page of GeodSolve (GeographicLib).
func TestDistancePublished(t *testing.T) {
	dms := func(d, m, s float64) float64 { return d + m/60 + s/3600 }
	// From JFK Airport, 40:38:23N 073:46:44W, to Singapore Changi Airport, 01:21:33N 103:59:22E: 15347628 m.
	got := Distance(dms(40, 38, 23), -dms(73, 46, 44), dms(1, 21, 33), dms(103, 59, 22))
	if want := 15347628.0; math.Abs(got-want) > sphereError*want {
		t.Errorf("%.0f m, published %.0f m", got, want)
	}
}

func TestDistanceAgainstGeodSolve(t *testing.T) {
	program, err := exec.LookPath("GeodSolve")
	if err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatal("GeodSolve (geographiclib-tools) is not installed")
		}
		t.Skip("GeodSolve (geographiclib-tools) is not installed")
	}
	rng := rand.New(rand.NewPCG(7, 7))
	type pair struct{ lat1, lon1, lat2, lon2 float64 }
	var pairs []pair
	for i := range 400 {
		p := pair{lat1: rng.Float64()*180 - 90, lon1: rng.Float64()*360 - 180}
		p.lat2, p.lon2 = rng.Float64()*180-90, rng.Float64()*360-180
		if i%2 == 0 { // near each other, as two receivers are
			p.lat1 *= 0.99
			p.lat2, p.lon2 = p.lat1+rng.Float64()*0.01, p.lon1+rng.Float64()*0.01
		}
		pairs = append(pairs, p)
	}
	var in strings.Builder
	for _, p := range pairs {
		fmt.Fprintf(&in, "%.12f %.12f %.12f %.12f\n", p.lat1, p.lon1, p.lat2, p.lon2)
	}
	cmd := exec.Command(program, "-i", "-p", "3")
	cmd.Stdin = strings.NewReader(in.String())
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("GeodSolve: %v", err)
	}
	answers := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(answers) != len(pairs) {
		t.Fatalf("%d answers to %d questions: %q", len(answers), len(pairs), answers[0])
	}
	worst := 0.0
	for i, p := range pairs {
		var azimuth1, azimuth2, want float64
		if _, err := fmt.Sscan(answers[i], &azimuth1, &azimuth2, &want); err != nil {
			t.Fatalf("%q: %v", answers[i], err)
		}
		got := Distance(p.lat1, p.lon1, p.lat2, p.lon2)
		worst = max(worst, math.Abs(got-want)/want)
		if math.Abs(got-want) > sphereError*want+0.001 {
			t.Errorf("%+v: %.3f m, GeodSolve %.3f m", p, got, want)
		}
	}
	t.Logf("worst %.3f %%", worst*100)
}

func TestDistance(t *testing.T) {
	for _, tt := range []struct {
		name                   string
		lat1, lon1, lat2, lon2 float64
		want                   float64 // on the ellipsoid, m
	}{
		// Flinders Peak to Buninyong, the worked example of the Geocentric Datum of Australia technical manual (from memory).
		{"Flinders Peak to Buninyong", -(37 + 57/60.0 + 3.72030/3600), 144 + 25/60.0 + 29.52440/3600,
			-(37 + 39/60.0 + 10.15610/3600), 143 + 55/60.0 + 35.38390/3600, 54972.271},
		// JFK to LHR, the example of GeographicLib's GeodSolve manual page (from memory).
		{"New York to London", 40.6, -73.8, 51.6, -0.5, 5551759.400},
		// The quarter meridian of WGS 84 (published constant, from memory).
		{"equator to pole", 0, 10, 90, 10, 10001965.729},
		{"across the date line", 0, 179.9, 0, -179.9, 6378137 * 0.2 * math.Pi / 180},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := Distance(tt.lat1, tt.lon1, tt.lat2, tt.lon2); math.Abs(got-tt.want) > 0.006*tt.want {
				t.Errorf("%.0f m, published %.0f m", got, tt.want)
			}
		})
	}
	if d := Distance(54, 10, 54, 10); d != 0 {
		t.Error(d)
	}
}
