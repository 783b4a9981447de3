package daemon

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.einride.tech/can"

	"muster/internal/boat"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/render"
	"muster/internal/sim"
	"muster/internal/snapshot"
	"muster/internal/tap"
	"muster/internal/ui/webtest"
	"muster/pgn"
)

// livePlay plays a scenario to daemons that run one after another, by a clock of the test's.
type livePlay struct {
	t     *testing.T
	sim   *sim.Sim
	clock atomic.Int64
	nets  []event.Event // the introductions of the networks

	source handedSource
	d      *Daemon
	stop   func()
	fed    uint64        // to the daemon that runs
	told   []event.Event // the sentences in which talkers gave their identity
}

func newLivePlay(t *testing.T, sc *sim.Scenario) *livePlay {
	p := &livePlay{t: t, sim: sim.New(sc, sc.Seed, t0)}
	p.clock.Store(int64(t0))
	return p
}

// start begins a daemon. Its store is in the folder, if there is one.
func (p *livePlay) start(name, sheets, dir string) {
	p.source, p.fed = make(handedSource), 0
	opt := options("127.0.0.1:0", map[string]tap.Source{"sim": p.source}, "sim")
	opt.Now = func() time.Time { return event.Time(p.clock.Load()).UTC() }
	opt.Config.Boat, opt.Config.Sheets, opt.Config.StateDir = boat.Identity{ID: name}, sheets, dir
	opt.Config.Sources = []config.Source{{Source: "sim"}}
	p.d, p.stop = aboard(p.t, opt)
	if len(p.nets) > 0 {
		nets := slices.Clone(p.nets)
		for i := range nets {
			nets[i].Time = event.Time(p.clock.Load())
		}
		p.source <- nets
	}
}

// ask asks every device for its address claim and its product information, and talkers for their identity, as muster
// does after its start.
func (p *livePlay) ask() {
	p.t.Helper()
	told := slices.Clone(p.told)
	for i := range told {
		told[i].Time = event.Time(p.clock.Load())
	}
	if len(told) > 0 {
		p.source <- told
		p.fed += uint64(len(told))
	}
	for _, number := range []uint32{60928, 126996} {
		f := can.Frame{ID: uint32(pgn.MakeID(6, 59904, pgn.Null, pgn.Global)), IsExtended: true, Length: 3,
			Data: can.Data{byte(number), byte(number >> 8), byte(number >> 16)}}
		if err := p.sim.Send(f); err != nil {
			p.t.Fatal(err)
		}
	}
}

// end stops the daemon as its service does.
func (p *livePlay) end() {
	close(p.source)
	p.stop()
}

// until plays up to a moment, and waits until the daemon's report holds all of it.
func (p *livePlay) until(at event.Time) {
	p.t.Helper()
	for event.Time(p.clock.Load()) < at+event.Time(time.Second) {
		now := event.Time(p.clock.Add(int64(time.Second)))
		for {
			events := make([]event.Event, batchEvents)
			n, err := p.sim.ReadUntil(now, events)
			if err != nil {
				p.t.Fatal(err)
			}
			if n == 0 {
				break
			}
			for i := range events[:n] {
				events[i].Line = slices.Clone(events[i].Line)
				switch events[i].Kind {
				case event.KindLine:
					if p.fed++; bytes.Contains(events[i].Line, []byte("VER,")) {
						p.told = append(p.told, events[i])
					}
				case event.KindFrame:
					p.fed++
				case event.KindNetwork:
					p.nets = append(p.nets, events[i])
				}
			}
			p.source <- events[:n]
			p.settle()
		}
	}
	eventually(p.t, func() bool { return p.received() == p.fed && p.d.Report().TakenAt >= at })
}

// settle waits until the daemon's model has all that it was handed: its own clock must not pass what is still on the way.
func (p *livePlay) settle() {
	p.t.Helper()
	taken := errors.New("only looked at") // so that no report is made of it
	for end := time.Now().Add(time.Minute); ; runtime.Gosched() {
		var n uint64
		err := p.d.model.do(p.t.Context(), func() error {
			for _, x := range p.d.model.report().Networks {
				n += x.Frames
			}
			return taken
		})
		if n == p.fed {
			return
		}
		if !errors.Is(err, taken) || time.Now().After(end) {
			p.t.Fatalf("the daemon has %d of %d: %v", n, p.fed, err)
		}
	}
}

// received is how much the daemon that runs received.
func (p *livePlay) received() (n uint64) {
	for _, x := range p.d.Report().Networks {
		n += x.Frames
	}
	return n
}

var unasked = regexp.MustCompile(`(?m)^(Larkfin|Display) .*\n|^ *absent .*\n|<li><span>absent.*?</li>`)

// asOf is when the latest of a life was known.
var asOf = regexp.MustCompile(`(?m) to [^<>\n]* UTC$|<li><span>last heard.*?</li>`)

var lifeSection = regexp.MustCompile(`(?s)<section aria-labelledby="history">.*?</section>`)

// lived is what is said of the life of each unit: by the report, by muster history of a snapshot, and by the unit's page.
func (p *livePlay) lived() map[string]string {
	p.t.Helper()
	r := p.d.Report()
	histories, err := snapshot.Histories([]*snapshot.Snapshot{snapshot.New(r)})
	if err != nil {
		p.t.Fatal(err)
	}
	out := map[string]string{}
	for i := range r.Units {
		u := &r.Units[i]
		if u.Life.ReplacedBy == "" && !u.Aboard || u.Device.Own {
			continue
		}
		var b strings.Builder
		fmt.Fprintln(&b, u.Aboard, u.Why)
		for _, d := range u.Presences {
			fmt.Fprintln(&b, d.ID)
		}
		for _, row := range render.LifeRows(&u.Life) {
			fmt.Fprintln(&b, row.Name, row.What, row.When())
		}
		for _, c := range u.Life.Commands {
			fmt.Fprintf(&b, "%+v\n", c)
		}
		k := slices.IndexFunc(histories, func(h snapshot.History) bool { return h.Device == u.ID })
		if k >= 0 {
			if err := render.Histories(&b, histories[k:k+1]); err != nil {
				p.t.Fatal(err)
			}
		}
		if len(u.Presences) > 0 && !strings.Contains(u.ID, "/") {
			page := lifeSection.FindString(string(webtest.Fetch(p.t, p.d.URL()+"/devices/"+u.ID)))
			if page == "" {
				p.t.Errorf("the page of %s has no history", u.ID)
			}
			b.WriteString(page)
		}
		out[u.ID] = b.String()
	}
	return out
}

// TestLifeOutlivesRestarts plays each scenario of units to one daemon, and to several of which each takes up what the
// one before left in the store. At the end all say the same of the life of every unit.
func TestLifeOutlivesRestarts(t *testing.T) {
	truths(t, func(t *testing.T, sc *sim.Scenario, name string, truth []moment) {
		last := t0.Add(truth[len(truth)-1].At)
		run := func(restarts bool) map[string]string {
			p, dir := newLivePlay(t, sc), t.TempDir()
			p.start(name, "", dir)
			for at := t0.Add(50 * time.Second); at < last; at = at.Add(time.Minute) {
				p.until(at)
				if restarts {
					p.end()
					p.start(name, "", dir)
				}
				p.ask()
			}
			p.until(last.Add(5 * time.Second))
			defer p.end()
			return p.lived()
		}
		once, restarted := run(false), run(true)
		if name == "address" || name == "shared" {
			// One without an address cannot be asked what it is, and one that sends nothing is on as long as it was last known to be.
			for _, lives := range []map[string]string{once, restarted} {
				for id, text := range lives {
					lives[id] = unasked.ReplaceAllString(text, "")
				}
			}
		}
		if diff := cmp.Diff(once, restarted); diff != "" {
			t.Errorf("restarted every minute (-once +restarted)\n%s", diff)
		}
	})
}

// TestLifeOutlivesPowerCut: a board that lost its power goes on with what its store held at its latest write.
func TestLifeOutlivesPowerCut(t *testing.T) {
	truths(t, func(t *testing.T, sc *sim.Scenario, name string, truth []moment) {
		if name != "instance" && name != "swap" {
			return
		}
		p, dir, card := newLivePlay(t, sc), t.TempDir(), t.TempDir()
		p.start(name, "", dir)
		p.until(t0.Add(truth[len(truth)-1].At))
		p.ask()
		p.until(event.Time(p.clock.Load()).Add(5 * time.Second))
		before := p.lived()
		k := p.d.keeper
		k.write()
		text, err := os.ReadFile(filepath.Join(dir, filepath.Base(k.store.Path())))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(card, filepath.Base(k.store.Path())), text, 0o600); err != nil {
			t.Fatal(err)
		}
		p.end()
		p.start(name, "", card)
		p.ask()
		p.until(event.Time(p.clock.Load()).Add(5 * time.Second))
		after := p.lived()
		p.end()
		for _, lives := range []map[string]string{before, after} {
			for id, text := range lives {
				lives[id] = asOf.ReplaceAllString(text, "")
			}
		}
		if diff := cmp.Diff(before, after); diff != "" {
			t.Errorf("(-before +after the power cut)\n%s", diff)
		}
	})
}
