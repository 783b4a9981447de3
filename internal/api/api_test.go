package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
	"muster/internal/transport"
	"muster/internal/ui/webtest"
	"muster/pgn"
)

// fakeDesk notes what it is given.
type fakeDesk struct {
	NoDesk
	told []string
}

func (d *fakeDesk) Acknowledge(_ context.Context, id, by string) error {
	if !strings.HasPrefix(id, "software-differs") {
		return fmt.Errorf("acknowledge alert %q: %w", id, alert.ErrUnknown)
	}
	d.told = append(d.told, id+" "+by)
	return nil
}

func (d *fakeDesk) AddManual(_ context.Context, m boat.Manual) (boat.Manual, error) {
	m.ID = "m1"
	d.told = append(d.told, m.Model)
	return m, nil
}

func (d *fakeDesk) RemoveManual(_ context.Context, id string) error {
	return fmt.Errorf("device %q: %w", id, ErrNoSuch)
}

func TestAPIAnswers(t *testing.T) {
	desk := &fakeDesk{}
	s := serve(t, Options{Reports: webtest.NewReports(webtest.Sample(t)), Desk: desk})
	long := strings.Repeat("x", 2000)
	for _, tt := range []struct {
		name, method, path, body string
		want                     int
		holds                    string
	}{
		{"devices", "GET", "/devices", "", 200, "LF9-00117"},
		{"devices by state", "GET", "/devices?state=silent", "", 200, "C0788C00FA400003"},
		{"devices by a state that is none", "GET", "/devices?state=asleep", "", 422, "query.state"},
		{"unknown parameter", "GET", "/devices?colour=red", "", 422, "query.colour"},
		{"device", "GET", "/devices/C0788C00FA200001", "", 200, "LF9-00117"},
		{"provisional device", "GET", "/devices/can0%2F77", "", 200, "provisional"},
		{"device that is none", "GET", "/devices/%3Cb%3E", "", 404, "no device has the id"},
		{"device id too long", "GET", "/devices/" + long[:200], "", 422, "path.id"},
		{"alerts", "GET", "/alerts?state=open", "", 200, "software-differs"},
		{"networks", "GET", "/networks", "", 200, `"minutes":[]`},
		{"messages", "GET", "/messages?limit=5", "", 200, "[]"},
		{"messages of one kind", "GET", "/messages?pgn=128267&device=a&network=b", "", 200, "[]"},
		{"messages with a limit that is none", "GET", "/messages?limit=0", "", 422, "query.limit"},
		{"messages of a number that is none", "GET", "/messages?pgn=999999", "", 422, "query.pgn"},
		{"acknowledge", "POST", "/alerts/software-differs:display/acknowledge", `{"by":"Jo"}`, 204, ""},
		{"acknowledge unknown", "POST", "/alerts/x:y/acknowledge", `{"by":"Jo"}`, 404, "x:y"},
		{"acknowledge without a name", "POST", "/alerts/software-differs:display/acknowledge", `{"by":""}`, 422, "body.by"},
		{"acknowledge with an unknown field", "POST", "/alerts/software-differs:display/acknowledge", `{"by":"Jo","force":true}`, 422, "body.force"},
		{"not JSON", "POST", "/manual-devices", `{"model":`, 400, "it ends too early"},
		{"no body", "POST", "/manual-devices", "", 400, "body"},
		{"manual", "POST", "/manual-devices", `{"model":"Gannet VR2 radio","role":"radio"}`, 201, "m1"},
		{"manual with a role that is none", "POST", "/manual-devices", `{"model":"x","role":"toaster"}`, 422, "toaster"},
		{"manual with a long text", "POST", "/manual-devices", `{"model":"` + long + `"}`, 422, "body.model"},
		{"remove a manual that is none", "DELETE", "/manual-devices/m9", "", 404, "m9"},
		{"snapshot that is none", "GET", "/snapshots/..%2F..%2Fetc%2Fpasswd", "", 404, "there is none"},
		{"comparison of none", "GET", "/comparison?before=a&after=b", "", 404, "there is none"},
		{"comparison without ids", "GET", "/comparison", "", 422, "query.before"},
		{"work orders", "GET", "/work-orders", "", 200, "[]"},
		{"conditions that nobody knows", "GET", "/conditions", "", 200, "{}"},
		{"no job", "GET", "/job", "", 404, "there is no open job"},
		{"jobs", "GET", "/jobs", "", 200, "[]"},
		{"act of another kind", "POST", "/job/acts", `{"by":"Jo","do":"flash"}`, 422, "body.do"},
		{"no such operation", "GET", "/nothing", "", 404, "/api/ lists them"},
		{"no such method", "PUT", "/report", "", 405, "accepts GET, HEAD, not PUT"},
		{"no such schema", "GET", "/schemas/Nothing.json", "", 404, "/api/v1/schemas lists them"},
		{"huge body", "POST", "/manual-devices", `{"model":"` + strings.Repeat("x", BodyLimit+1) + `"}`, 413, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			resp, text := webtest.Ask(t, tt.method, s.URL()+Prefix+tt.path, tt.body)
			if resp.StatusCode != tt.want || !strings.Contains(text, tt.holds) {
				t.Fatalf("%s: %.300s", resp.Status, text)
			}
			if tt.want < 400 {
				return
			}
			if kind := resp.Header.Get("Content-Type"); kind != "application/problem+json" {
				t.Errorf("a problem of type %q", kind)
			}
			var p struct {
				Title, Detail string
				Status        int
			}
			if err := json.Unmarshal([]byte(text), &p); err != nil || p.Status != tt.want || p.Detail == "" || p.Title == "" {
				t.Errorf("%v: %s", err, text)
			}
		})
	}
	if got := strings.Join(desk.told, "; "); got != "software-differs:display Jo; Gannet VR2 radio" {
		t.Errorf("the desk was told %q", got)
	}
}

func TestSnapshots(t *testing.T) {
	for _, dir := range []string{"", t.TempDir()} {
		f := webtest.NewReports(webtest.Sample(t))
		s := serve(t, Options{Reports: f, SnapshotDir: dir})
		take := func() Kept {
			t.Helper()
			resp, text := webtest.Ask(t, "POST", s.URL()+Prefix+"/snapshots", "")
			var k Kept
			if err := json.Unmarshal([]byte(text), &k); err != nil || resp.StatusCode != 201 {
				t.Fatalf("%s %v: %s", resp.Status, err, text)
			}
			return k
		}
		before := take()
		if again := take(); again.ID != before.ID {
			t.Errorf("the same report gave %s and %s", before.ID, again.ID)
		}
		later := webtest.Sample(t)
		later.TakenAt = later.TakenAt.Add(time.Minute)
		later.Devices[0].Product.Software = "4.5"
		f.Set(later)
		after := take()
		if resp, text := webtest.Get(t, s.URL()+Prefix+"/comparison?before="+before.ID+"&after="+after.ID); resp.StatusCode != 200 || !strings.Contains(text, "software-changed") {
			t.Errorf("comparison: %s %s", resp.Status, text)
		}
		if resp, text := webtest.Get(t, s.URL()+Prefix+"/snapshots/"+before.ID); resp.StatusCode != 200 || !strings.Contains(text, before.SHA256) {
			t.Errorf("snapshot: %s", resp.Status)
		}
		if dir == "" {
			continue
		}
		if err := os.WriteFile(filepath.Join(dir, "20260101T000000Z-000000000000.json"), []byte("{"), 0o600); err != nil {
			t.Fatal(err)
		}
		shelf, passed, err := openShelf(dir)
		if err != nil || passed == nil || len(shelf.kept()) != 2 {
			t.Errorf("read again: %v, passed over %v, %d kept", err, passed, len(shelf.kept()))
		}
	}
}

func TestShelfIsBounded(t *testing.T) {
	s, _, _ := openShelf("")
	r := webtest.Sample(t)
	for range shelfInMemory + 5 {
		next := *r
		r.TakenAt = r.TakenAt.Add(time.Second)
		if _, err := s.take(&next, ""); err != nil {
			t.Fatal(err)
		}
	}
	if len(s.list) != shelfInMemory || len(s.held) != shelfInMemory {
		t.Errorf("%d listed, %d held", len(s.list), len(s.held))
	}
	if _, err := s.take(&report.Report{}, ""); err == nil {
		t.Error("a snapshot of nothing")
	}
}

func TestRights(t *testing.T) {
	const act, look = "0123456789abcdef-act", "0123456789abcdef-read"
	s := serve(t, Options{Listen: "0.0.0.0:0", Token: act, ReadToken: look, Reports: webtest.NewReports(webtest.Sample(t)), Desk: &fakeDesk{}})
	url := strings.Replace(s.URL(), "[::]", "127.0.0.1", 1)
	const body = `{"by":"Jo"}`
	path := url + Prefix + "/alerts/software-differs:display/acknowledge"
	for _, tt := range []struct {
		name, method, url, body string
		headers                 []string
		want                    int
	}{
		{"no token", "GET", url + Prefix + "/report", "", nil, 401},
		{"wrong token", "GET", url + Prefix + "/report", "", []string{"Authorization", "Bearer nonsense"}, 401},
		{"read", "GET", url + Prefix + "/report", "", []string{"Authorization", "Bearer " + look}, 200},
		{"read token acts", "POST", path, body, []string{"Authorization", "Bearer " + look}, 403},
		{"act", "POST", path, body, []string{"Authorization", "Bearer " + act}, 204},
		{"act from another site", "POST", path, body, []string{"Authorization", "Bearer " + act, "Sec-Fetch-Site", "cross-site"}, 403},
		{"act from another origin", "POST", path, body, []string{"Authorization", "Bearer " + act, "Origin", "https://elsewhere.example"}, 403},
		{"cookie of a made-up value", "GET", url + Prefix + "/report", "", []string{"Cookie", "muster=" + act}, 401},
		{"cookie", "POST", path, body, []string{"Cookie", "muster=" + cookieValue(act)}, 204},
		{"metrics", "GET", url + "/metrics", "", nil, 401},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if resp, text := webtest.Ask(t, tt.method, tt.url, tt.body, tt.headers...); resp.StatusCode != tt.want {
				t.Errorf("%s, want %d: %.200s", resp.Status, tt.want, text)
			}
		})
	}
}

func TestNoDesk(t *testing.T) {
	s := serve(t, Options{Reports: webtest.NewReports(webtest.Sample(t))})
	if resp, text := webtest.Ask(t, "POST", s.URL()+Prefix+"/alerts/x/acknowledge", `{"by":"Jo"}`); resp.StatusCode != 501 || !strings.Contains(text, "muster run") {
		t.Errorf("%s %s", resp.Status, text)
	}
}

func TestTraffic(t *testing.T) {
	tr := NewTraffic(4)
	if list, seen, _ := tr.Since(0, Filter{}, 0); len(list) != 0 || seen != 0 {
		t.Errorf("nothing yet: %d, %d", len(list), seen)
	}
	for i := range 6 {
		webtest.Note(tr, 128267, []byte{byte(i), 0xD2, 4, 0, 0, 0, 0, 0xFF}) // 12.34 m
	}
	webtest.Note(tr, 130306, []byte{0, 0xFF, 0xFF, 0xFF, 0xFF, 0xFA, 0xFF, 0xFF})
	list, seen, lost := tr.Since(1, Filter{}, 0)
	if len(list) != 4 || seen != 7 || lost != 2 || list[0].Number != 4 {
		t.Fatalf("%d messages, %d seen, %d lost", len(list), seen, lost)
	}
	if f := list[0].Fields[1]; f.Key != "depth_below_transducer" || f.Text != "12.34 m" || f.Number == nil || math.Abs(*f.Number-12.34) > 1e-9 {
		t.Errorf("depth is %+v", f)
	}
	if f := list[3].Fields[1]; f.Number != nil || f.State != "not available" {
		t.Errorf("a value that is not available is %+v", f)
	}
	if list, _, _ := tr.Since(0, Filter{PGN: 130306}, 0); len(list) != 1 {
		t.Errorf("filter by number: %d", len(list))
	}
	if list, _, _ := tr.Since(0, Filter{PGN: 128267}, 2); len(list) != 2 || list[0].Number != 5 || list[1].Number != 6 {
		t.Errorf("the latest two by number: %d", len(list))
	}
	if list, _, _ := tr.Since(0, Filter{Device: "other"}, 0); len(list) != 0 {
		t.Errorf("filter by device: %d", len(list))
	}
	if list, _, _ := tr.Since(7, Filter{}, 0); len(list) != 0 {
		t.Errorf("nothing new: %d", len(list))
	}
	if got, _ := tr.Newest(0, Filter{}); len(got) != 2 {
		t.Errorf("%d kinds", len(got))
	}
	webtest.Note(tr, 130306, []byte{1, 0xFF, 0xFF, 0xFF, 0xFF, 0xFA, 0xFF, 0xFF}) // instead of one that was read
	if list, _, _ := tr.Since(0, Filter{}, 0); len(list) != 4 || list[0].Number != 5 || list[3].Number != 8 || list[3].Data != "01FFFFFFFFFAFFFF" {
		t.Errorf("after the oldest made room: %+v", list)
	}
}

func BenchmarkNote(b *testing.B) {
	tr := NewTraffic(0)
	m := &transport.Message{Time: 1, ID: pgn.MakeID(2, 128267, 35, pgn.Global), Data: make([]byte, 8)}
	by := &boat.Sender{ID: "C0788C00FA200001", Network: "can0"}
	b.ReportAllocs()
	for b.Loop() {
		tr.Note(m, by)
	}
}

// FuzzMessage: whatever a bus carries, a message can be shown.
func FuzzMessage(f *testing.F) {
	f.Add(uint32(128267), []byte{0, 1, 2, 3, 4, 5, 6, 7})
	f.Add(uint32(126998), []byte("\x05\x01<b>\x1b\x07\x00\xff\xfe"))
	f.Add(uint32(126208), []byte{1, 0, 0, 0})
	f.Fuzz(func(t *testing.T, n uint32, data []byte) {
		tr := NewTraffic(1)
		webtest.Note(tr, n&0x1FFFF, data)
		list, _, _ := tr.Since(0, Filter{}, 0)
		if len(list) != 1 || !json.Valid(list[0].text) || bytes.ContainsAny(list[0].text, "\n\r") {
			t.Fatalf("%d messages", len(list))
		}
	})
}

func TestHistory(t *testing.T) {
	var h history
	at := func(minute int, load float64, errors uint64) {
		h.observe(&report.Report{Networks: []report.Network{{ID: "can0", Live: &boat.Network{ID: "can0",
			RecentFrom: event.Time(1).Add(time.Duration(minute) * time.Minute), LoadRecent: load, Recent: boat.Faults{ErrorFrames: errors}}}}})
	}
	at(0, .1, 0)
	at(0, .2, 3)
	at(1, .3, 0)
	if got := h.of("can0"); len(got) != 2 || got[0].Load != .2 || got[0].Faults != 3 {
		t.Errorf("%v", got)
	}
	for i := range 500 {
		at(i+2, .1, 0)
	}
	if n := len(h.of("can0")); n != historyPoints {
		t.Errorf("%d points", n)
	}
	at(3, .9, 0)
	if got := h.of("can0"); len(got) != 1 || got[0].Load != .9 {
		t.Errorf("after a step back: %d points", len(got))
	}
	for i := range 200 {
		h.observe(&report.Report{Networks: []report.Network{{ID: fmt.Sprint(i), Live: &boat.Network{ID: fmt.Sprint(i), RecentFrom: 1}}}})
	}
	if len(h.networks) > historyNetworks {
		t.Errorf("%d networks", len(h.networks))
	}
}

func TestProblemKinds(t *testing.T) {
	if problem(nil) != nil {
		t.Error("no error is a problem")
	}
	for err, want := range map[error]int{ErrFull: 409, ErrNamed: 409, ErrNoSuch: 404, context.DeadlineExceeded: 503, errors.New("x"): 422} {
		var p interface{ GetStatus() int }
		if got := problem(fmt.Errorf("y: %w", err)); !errors.As(got, &p) || p.GetStatus() != want {
			t.Errorf("%v: %v", err, got)
		}
	}
}

// TestOtherMethods: what is there is not denied because of the method, and lists what it takes (RFC 9110, 15.5.6).
func TestOtherMethods(t *testing.T) {
	s := serve(t, Options{Reports: webtest.NewReports(webtest.Sample(t)), Desk: &fakeDesk{}})
	for _, tt := range []struct {
		method, path string
		status       int
		allow, words string
	}{
		{"POST", "/api/v1/report", 405, "GET, HEAD", `"detail":"/api/v1/report accepts GET, HEAD, not POST"`},
		{"PATCH", "/api/v1/baseline", 405, "GET, HEAD, PUT, DELETE", "not PATCH"},
		{"GET", "/api/v1/alerts/x/acknowledge", 405, "POST, DELETE", "accepts POST, DELETE, not GET"},
		{"OPTIONS", "/api/v1/silences", 204, "GET, HEAD, POST, DELETE", ""},
		{"POST", "/api/v1/nothing", 404, "", `there is no operation at \"/api/v1/nothing\"`},
		{"GET", "/api/v1/devices?role=battery", 422, "", `role: \"battery\" is unknown`},
	} {
		resp, body := webtest.Ask(t, tt.method, s.URL()+tt.path, "")
		if resp.StatusCode != tt.status || resp.Header.Get("Allow") != tt.allow || !strings.Contains(body, tt.words) {
			t.Errorf("%s %s: %s, allows %q\n%s", tt.method, tt.path, resp.Status, resp.Header.Get("Allow"), body)
		}
	}
}
