package daemon

import (
	"context"
	"encoding/json"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/fleet"
	"muster/internal/fleet/broker"
	"muster/internal/fleet/hub"
	fleetpages "muster/internal/fleet/pages"
	"muster/internal/fleet/trust"
	"muster/internal/hosttest"
	"muster/internal/pages"
	"muster/internal/release"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/sim"
	"muster/internal/snapshot"
	"muster/internal/tap"
	"muster/internal/ui/webtest"
)

// moment is what is true of a scenario at a time: the units aboard, each by the device or talker that it begins as, and which of them run
// an older release than the sheets' current one.
type moment struct {
	At     time.Duration `yaml:"at"`
	Aboard []string      `yaml:"aboard"`
	Behind []string      `yaml:"behind"`
	Shared bool          `yaml:"shared"` // two boxes send from one address

	unknown bool // then all must say the same
}

// said is the content of one of the program's outputs. A nil list is not asked for.
type said struct {
	by             string
	count          int
	aboard, behind []string // ids of units
}

// marina is a hub with its pages, to which the test sends the reports of boats.
type marina struct {
	hub   *hub.Hub
	url   string
	js    jetstream.JetStream
	codec *fleet.Codec
	keys  *trust.Trust
}

func newMarina(t *testing.T, sheets *release.Sheets) *marina {
	ok := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	keys, err := trust.Open(filepath.Join(t.TempDir(), "trust"))
	ok(err)
	papers, err := keys.Papers()
	ok(err)
	server, err := broker.Start(t.Context(), broker.Options{Listen: "127.0.0.1:0", Dir: t.TempDir(), Papers: papers, SyncEvery: time.Minute, Log: zerolog.Nop()})
	ok(err)
	t.Cleanup(func() { _ = server.Stop(time.Minute) })
	creds, err := keys.HubCreds()
	ok(err)
	nc, err := server.Connect(creds, "hub")
	ok(err)
	t.Cleanup(nc.Close)
	h, err := hub.New(t.Context(), hub.Options{Conn: nc, Log: zerolog.Nop(), Sheets: func() *release.Sheets { return sheets }})
	ok(err)
	shown, err := fleetpages.New(fleetpages.Options{Listen: "127.0.0.1:0", Fleet: h, Sheets: func() *release.Sheets { return sheets }, Log: zerolog.Nop()})
	ok(err)
	ctx, stop := context.WithCancel(context.Background())
	ran, served := make(chan error, 1), make(chan error, 1)
	go func() { ran <- h.Run(ctx) }()
	go func() { served <- shown.Serve(ctx) }()
	t.Cleanup(func() {
		ok(shown.Stop(context.Background()))
		ok(<-served)
		stop()
		<-ran
	})
	js, err := jetstream.New(nc)
	ok(err)
	codec, err := fleet.NewCodec()
	ok(err)
	eventually(t, func() bool { return h.Ready() == nil })
	return &marina{hub: h, url: shown.URL() + "/api/v1", js: js, codec: codec, keys: keys}
}

// hears sends the report of a boat, and waits until the hub shows it.
func (m *marina) hears(t *testing.T, id string, seq uint64, r *report.Report, version int) {
	t.Helper()
	var text []byte
	var err error
	if version == 1 {
		text, err = json.Marshal(r.Version1())
	} else {
		text, err = json.Marshal(r)
	}
	if err != nil {
		t.Fatal(err)
	}
	data, err := m.codec.Encode(&fleet.Envelope{Schema: fleet.Schema, Boat: boat.Identity{ID: id}, MadeAt: r.TakenAt.UTC(), Clock: r.Clock, Body: text})
	if err != nil {
		t.Fatal(err)
	}
	ack, err := m.js.PublishMsg(t.Context(), &nats.Msg{Subject: fleet.Subject(id, fleet.KindReport), Data: data,
		Header: nats.Header{nats.MsgIdHdr: {fleet.MessageID("board-"+id, seq)}}})
	if err != nil {
		t.Fatal(err)
	}
	eventually(t, func() bool { b := m.hub.Boat(id); return b != nil && b.Report >= ack.Sequence })
}

// answers are the hub's answers about a boat.
func (m *marina) answers(t *testing.T, id string) []said {
	t.Helper()
	var b struct {
		hub.Boat
		Behind int `json:"behind"`
	}
	get(t, m.url+"/boats/"+id, &b)
	detail := said{by: "the hub's boat", aboard: []string{}}
	for _, d := range b.Devices {
		if d.Aboard() {
			detail.aboard = append(detail.aboard, d.ID)
		}
	}
	var hits []hub.Hit
	get(t, m.url+"/search?below=4.52&model=LF9&boat="+id, &hits)
	search := said{by: "the hub's search", behind: []string{}}
	for _, h := range hits {
		if h.Unknown == "" {
			search.behind = append(search.behind, h.Device.ID)
		}
	}
	var c fleetpages.CampaignDetail
	get(t, m.url+"/campaigns/"+url.PathEscape("LF9 display"), &c)
	campaign := said{by: "the campaign", behind: []string{}}
	for _, d := range c.Devices {
		if d.Boat == id && d.Standing == release.StandingBehind {
			campaign.behind = append(campaign.behind, d.Device.ID)
		}
	}
	if b.Behind != len(campaign.behind) {
		t.Errorf("the hub's boat says %d behind, the campaign %d", b.Behind, len(campaign.behind))
	}
	var list fleetpages.BoatList
	get(t, m.url+"/boats?q="+id, &list)
	row := said{by: "the hub's list", count: -1}
	for _, r := range list.Boats {
		if r.ID == id {
			row.count = r.Devices
		}
	}
	return []said{detail, search, campaign, row}
}

func get(t *testing.T, url string, v any) {
	t.Helper()
	if err := json.Unmarshal(webtest.Fetch(t, url), v); err != nil {
		t.Fatalf("%s: %v", url, err)
	}
}

// aboardOf are the ids of the units aboard.
func aboardOf(r *report.Report) []string {
	ids := []string{}
	for _, u := range r.Aboard() {
		ids = append(ids, u.ID)
	}
	return ids
}

// found are the units that open findings of software-behind are about.
func found(alerts []alert.Alert) []string {
	ids := []string{}
	for _, a := range alerts {
		if a.Check == "software-behind" && a.State != alert.StatusCleared {
			ids = append(ids, a.Devices...)
		}
	}
	return ids
}

// planned are the units aboard that a work order of the report updates, now or once they are back on their network.
func planned(r *report.Report, sheets *release.Sheets) []string {
	order, _ := release.Plan(r, "sha256:"+strings.Repeat("0", 64), "", sheets, release.Options{})
	ids := []string{}
	for _, s := range order.Steps() {
		ids = append(ids, s.Device.ID)
	}
	for _, d := range order.Deferred {
		if d.Device.State != boat.Gone {
			ids = append(ids, d.Device.ID)
		}
	}
	return ids
}

var (
	unitRow     = regexp.MustCompile(`<tr id="device-([^"]+)" class="([\w-]+)"`)
	online      = regexp.MustCompile(`(\d+) of (\d+) devices? online`)
	unitsGauge  = regexp.MustCompile(`(?m)^muster_devices\{network="[^"]*",state="([^"]*)"\} (\d+)`)
	auditUnits  = regexp.MustCompile(`(?m)^Units: .*$`)
	auditCount  = regexp.MustCompile(`(\d+) ([a-z]+)`)
	behindGauge = regexp.MustCompile(`(?m)^muster_alerts\{check="software-behind",[^}]*\} (\d+)`)
)

// boatSays are the outputs of the boat for a report, which it serves at a URL.
func boatSays(t *testing.T, at string, r *report.Report, sheets *release.Sheets) []said {
	t.Helper()
	out := []said{{by: "the report", aboard: aboardOf(r), behind: found(r.Alerts)}, {by: "the plan", behind: planned(r, sheets)}}

	var v2, v1 report.Report
	get(t, at+"/api/v1/report", &v2)
	v2.Complete()
	get(t, at+"/api/v1/report?version=1", &v1)
	v1.Complete()
	out = append(out, said{by: "the API", aboard: aboardOf(&v2), behind: found(v2.Alerts)},
		said{by: "version 1 of the API", aboard: aboardOf(&v1), behind: found(v1.Alerts)})
	var devices []report.Device
	get(t, at+"/api/v1/devices", &devices)
	listed := said{by: "the API's list", aboard: []string{}}
	for _, d := range devices {
		if d.State != boat.Gone && !d.Own {
			listed.aboard = append(listed.aboard, d.ID)
		}
	}

	page := string(webtest.Fetch(t, at+"/"))
	rows := said{by: "the page's list", aboard: []string{}}
	for _, m := range unitRow.FindAllStringSubmatch(page, -1) {
		if m[2] != string(boat.Gone) {
			rows.aboard = append(rows.aboard, m[1])
		}
	}
	verdict := said{by: "the page's verdict", count: -1}
	if m := online.FindStringSubmatch(page); m != nil {
		verdict.count, _ = strconv.Atoi(m[2])
	}
	metrics := string(webtest.Fetch(t, at+"/metrics"))
	gauge := said{by: "the metrics"}
	for _, m := range unitsGauge.FindAllStringSubmatch(metrics, -1) {
		if n, _ := strconv.Atoi(m[2]); m[1] != string(boat.Gone) {
			gauge.count += n
		}
	}
	behind := 0
	for _, m := range behindGauge.FindAllStringSubmatch(metrics, -1) {
		n, _ := strconv.Atoi(m[1])
		behind += n
	}
	if n := len(found(r.Alerts)); n != behind {
		t.Errorf("the metrics say %d behind, the report %d", behind, n)
	}
	return append(out, listed, rows, verdict, gauge, auditSays(t, r))
}

// auditSays is what muster audit prints.
func auditSays(t *testing.T, r *report.Report) said {
	t.Helper()
	var b strings.Builder
	if err := render.ReportText(&b, r, render.TextStyle{Width: 200}); err != nil {
		t.Fatal(err)
	}
	audit := said{by: "the audit"}
	for _, m := range auditCount.FindAllStringSubmatch(auditUnits.FindString(b.String()), -1) {
		if n, _ := strconv.Atoi(m[1]); m[2] != "offline" {
			audit.count += n
		}
	}
	return audit
}

// snapshotSays takes a snapshot, reads it again, and compares it with that of the moment before, if there was one.
func snapshotSays(t *testing.T, r *report.Report, before **snapshot.Snapshot) []said {
	t.Helper()
	taken := snapshot.New(r)
	if err := taken.Close(nil); err != nil {
		t.Fatal(err)
	}
	text, err := taken.Encode()
	if err != nil {
		t.Fatal(err)
	}
	s, err := snapshot.Decode(text)
	if err != nil {
		t.Fatal(err)
	}
	out := []said{{by: "the snapshot", aboard: aboardOf(s.Report), behind: found(s.Report.Alerts)}}
	if *before != nil {
		c, err := snapshot.Compare(*before, s, snapshot.Options{})
		if err != nil {
			t.Fatal(err)
		}
		n := c.Before.Devices
		for _, x := range c.Changes {
			switch x.Class {
			case snapshot.Added:
				n++
			case snapshot.Gone:
				n--
			}
		}
		out = append(out, said{by: "the comparison", count: c.After.Devices}, said{by: "the comparison's changes", count: n})
	}
	*before = s
	return out
}

// truths calls f with each scenario of units, and what is true of it at some moments.
func truths(t *testing.T, f func(t *testing.T, sc *sim.Scenario, name string, truth []moment)) {
	t.Helper()
	dir := hosttest.Testdata(t, "units")
	files, err := filepath.Glob(filepath.Join(dir, "*.truth.yaml"))
	if err != nil || len(files) < 10 {
		t.Fatal(len(files), err)
	}
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".truth.yaml")
		t.Run(name, func(t *testing.T) {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			var truth []moment
			if err := yaml.UnmarshalWithOptions(text, &truth, yaml.Strict()); err != nil {
				t.Fatal(err)
			}
			sc, err := sim.Load(t.Context(), filepath.Join(dir, name+".yaml"))
			if err != nil {
				t.Fatal(err)
			}
			f(t, sc, name, truth)
		})
	}
}

func unitSheets(t *testing.T) *release.Sheets {
	t.Helper()
	dir := hosttest.Testdata(t, "units")
	sheets, err := release.LoadFS(t.Context(), os.DirFS(filepath.Join(dir, "sheets")), dir)
	if err != nil {
		t.Fatal(err)
	}
	return sheets
}

// minutes are the moments at which a scenario is asked: those of which the truth is known, and every minute of it besides.
func minutes(truth []moment, last time.Duration) []moment {
	list := slices.Clone(truth)
	for at := time.Minute; at <= last; at += time.Minute {
		if !slices.ContainsFunc(truth, func(m moment) bool { return m.At == at }) {
			list = append(list, moment{At: at, unknown: true})
		}
	}
	slices.SortFunc(list, func(a, b moment) int { return int(a.At - b.At) })
	return list
}

// TestOutputsAgree plays every scenario of units, and those that muster has built in, and asks at every minute every output that gives how many
// units are aboard, which of them run an old release, who sends what, and how much they load the backbone. None differs from another, and
// all are true.
func TestOutputsAgree(t *testing.T) {
	sheets := unitSheets(t)
	m := newMarina(t, sheets)
	truths(t, func(t *testing.T, sc *sim.Scenario, name string, truth []moment) {
		agree(t, sc, name, minutes(truth, truth[len(truth)-1].At), sheets, m)
	})
	for _, name := range sim.Names() {
		t.Run(name, func(t *testing.T) {
			sc, err := sim.Load(t.Context(), name)
			if err != nil {
				t.Fatal(err)
			}
			agree(t, sc, name, minutes(nil, 3*time.Minute), sheets, m)
		})
	}
}

func agree(t *testing.T, sc *sim.Scenario, name string, rest []moment, sheets *release.Sheets, m *marina) {
	reports := webtest.NewReports(&report.Report{})
	s, err := api.New(api.Options{Listen: "127.0.0.1:0", Reports: reports, Sheets: func() *release.Sheets { return sheets }, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	pages.Add(s)
	webtest.Serve(t, s)

	opt := Options{Config: config.Default(), Log: zerolog.Nop(), Version: "test", Open: func(string, bool) (tap.Source, error) {
		return sim.NewPlayer(sim.New(sc, sc.Seed, t0), 0), nil
	}}
	opt.Config.Sources = []config.Source{{Source: "sim:" + name}}
	opt.Config.Boat, opt.Config.Sheets = boat.Identity{ID: name}, hosttest.Testdata(t, "units/sheets")
	last := rest[len(rest)-1].At
	var before *snapshot.Snapshot
	var order followed
	seq := uint64(0)
	opt.OnReport = func(now event.Time, r *report.Report, c release.Conditions) {
		order.observe(t, now, r, c)
		if len(rest) == 0 || now.Sub(t0) < rest[0].At {
			return
		}
		at := rest[0]
		rest = rest[1:]
		reports.Set(r)
		answers := append(boatSays(t, s.URL(), r, sheets), snapshotSays(t, r, &before)...)
		answers = append(answers, order.says(t, r, sheets)...)
		sumsAgree(t, at.At, r, before.Report, s.URL())
		for _, version := range []int{1, 2} {
			seq++
			m.hears(t, name, seq, r, version)
			answers = append(answers, m.answers(t, name)...)
		}
		at.check(t, sc, r, answers)
	}
	if _, err := Replay(t.Context(), opt, last+2*time.Second, nil); err != nil {
		t.Fatal(err)
	}
	if len(rest) > 0 {
		t.Errorf("nothing was asked from %v on", rest[0].At)
	}
}

// units are the ids of the report's units that the truth names.
func units(t *testing.T, sc *sim.Scenario, r *report.Report, names []string) []string {
	t.Helper()
	ids := []string{}
	for _, name := range names {
		id := name
		if i := slices.IndexFunc(sc.Devices, func(d sim.Device) bool { return d.ID == name }); i >= 0 {
			id = sc.Devices[i].NAME().String()
		}
		u := r.Unit(id)
		if u == nil {
			t.Fatalf("the report has no %s (%s)", name, id)
		}
		ids = append(ids, u.ID)
	}
	slices.Sort(ids)
	if len(slices.Compact(slices.Clone(ids))) != len(ids) {
		t.Errorf("of %v some are one unit: %v", names, ids)
	}
	return ids
}

// check compares every output with what is true, or with the report. No boat whose truth is known has several sources of anything.
func (m *moment) check(t *testing.T, sc *sim.Scenario, r *report.Report, answers []said) {
	t.Helper()
	aboard, behind := aboardOf(r), found(r.Alerts)
	if !m.unknown {
		aboard, behind = units(t, sc, r, m.Aboard), units(t, sc, r, m.Behind)
	}
	slices.Sort(aboard)
	slices.Sort(behind)
	for _, a := range answers {
		for _, list := range [][]string{a.aboard, a.behind} { // a report of version 1 may name a unit by another of its presences
			for i := range list {
				list[i] = r.Unit(list[i]).ID
			}
			slices.Sort(list)
		}
		if a.aboard != nil && !slices.Equal(aboard, a.aboard) {
			t.Errorf("%v: aboard by %s (-want +got)\n%s", m.At, a.by, cmp.Diff(aboard, a.aboard))
		}
		if a.behind != nil && !slices.Equal(behind, a.behind) {
			t.Errorf("%v: behind by %s (-want +got)\n%s", m.At, a.by, cmp.Diff(behind, a.behind))
		}
		if a.aboard == nil && a.behind == nil && a.count != len(aboard) {
			t.Errorf("%v: %d aboard by %s, want %d", m.At, a.count, a.by, len(aboard))
		}
	}
	shared := false
	for _, a := range r.Alerts {
		switch id := check.ID(a.Check); {
		case m.unknown || a.State == alert.StatusCleared:
		case id == "address-shared":
			shared = true
		case id == "multiple-sources" || id == "same-serial":
			t.Errorf("%v: %s: %s", m.At, a.Check, a.Summary)
		}
	}
	if shared != m.Shared {
		t.Errorf("%v: two boxes at one address: %v, want %v", m.At, shared, m.Shared)
	}
}
