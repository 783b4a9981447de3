package pages

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"muster/internal/boat"
	"muster/internal/fleet/hub"
	"muster/internal/release"
)

// row is a boat with what is computed of it. It is read-only.
type row struct {
	*hub.Boat
	Behind  int // units older than their sheet's current release
	Unsure  int // units with a sheet whose state is unknown
	Stands  []stand
	folded  string // id and name in lower case
	Verdict hub.Verdict
}

// stand is the state of one unit by the sheets.
type stand struct {
	Device *hub.Device
	release.Assessment
}

// cache keeps what was computed as long as boats and sheets are the same.
type cache struct {
	mu       sync.Mutex
	sheets   *release.Sheets
	rows     map[string]*row
	kinds    map[hub.Kind]release.Assessment
	list     []*row
	revision uint64
	known    bool
}

// boats lists the fleet by id; verdicts are as of now.
func (s *Server) boats() []*row {
	now := s.opt.Now()
	c := &s.cache
	c.mu.Lock()
	defer c.mu.Unlock()
	revision := s.opt.Fleet.Revision()
	c.renew(s.opt.Sheets(), revision)
	if c.revision != revision {
		boats := s.opt.Fleet.Boats()
		rows := make(map[string]*row, len(boats))
		for _, b := range boats {
			r := c.rows[b.ID]
			if r == nil || r.Boat != b {
				r = c.compute(b)
			}
			rows[b.ID] = r
		}
		c.rows, c.revision = rows, revision
		c.list = make([]*row, 0, len(boats))
		for _, b := range boats {
			c.list = append(c.list, rows[b.ID])
		}
	}
	out := make([]*row, 0, len(c.list))
	all := make([]row, len(c.list))
	for i, r := range c.list {
		all[i] = *r
		all[i].Verdict = r.Boat.Verdict(now, s.opt.Silence)
		out = append(out, &all[i])
	}
	return out
}

// mostAssessed bounds the kinds of device that are remembered.
const mostAssessed = 1 << 17

// renew forgets what was computed with other sheets, or when it is too much.
func (c *cache) renew(sheets *release.Sheets, revision uint64) {
	if !c.known || c.sheets != sheets || len(c.kinds) > mostAssessed {
		c.sheets, c.rows, c.kinds, c.known = sheets, map[string]*row{}, map[hub.Kind]release.Assessment{}, true
		c.revision = revision + 1 // another than the fleet's
	}
}

func (s *Server) boat(id string) *row {
	b := s.opt.Fleet.Boat(id)
	if b == nil {
		return nil
	}
	c := &s.cache
	c.mu.Lock()
	defer c.mu.Unlock()
	c.renew(s.opt.Sheets(), s.opt.Fleet.Revision())
	r := *c.compute(b)
	r.Verdict = b.Verdict(s.opt.Now(), s.opt.Silence)
	return &r
}

func (c *cache) compute(b *hub.Boat) *row {
	r := &row{Boat: b, folded: strings.ToLower(b.ID + " " + b.Name)}
	if c.sheets == nil {
		return r
	}
	for i := range b.Devices {
		d := &b.Devices[i]
		if b.Away(d) != "" {
			continue
		}
		a := c.assess(d)
		if a.Model == nil {
			continue
		}
		r.Stands = append(r.Stands, stand{d, a})
		switch a.Standing {
		case release.StandingBehind:
			r.Behind++
		case release.StandingOrderUnknown, release.StandingNoVersion:
			r.Unsure++
		}
	}
	return r
}

func (c *cache) assess(d *hub.Device) release.Assessment {
	k := d.Kind()
	a, ok := c.kinds[k]
	if ok {
		return a
	}
	a = k.Assess(c.sheets)
	c.kinds[k] = a
	return a
}

// verdicts in the order in which they matter.
var verdicts = []hub.Verdict{hub.Visit, hub.Silent, hub.Watch, hub.Never, hub.OK}

// Summary is the fleet in numbers.
type Summary struct {
	Sentence string              `json:"sentence"`
	Boats    int                 `json:"boats"`
	Verdicts map[hub.Verdict]int `json:"verdicts"`
	Devices  int                 `json:"devices"`
	Behind   int                 `json:"behind" doc:"Units older than the current release of their sheet."`
	Alerts   int                 `json:"alerts" doc:"Open alerts."`
	Revision uint64              `json:"revision"`

	mark    string
	revoked int // boats that are counted nowhere else
}

func (s *Server) summarize(rows []*row) Summary {
	sum := Summary{Verdicts: map[hub.Verdict]int{}, Revision: s.opt.Fleet.Revision()}
	for _, v := range verdicts {
		sum.Verdicts[v] = 0
	}
	for _, r := range rows {
		if r.revoked() {
			sum.revoked++
			continue
		}
		sum.Boats++
		sum.Verdicts[r.Verdict]++
		sum.Devices += r.Aboard()
		sum.Behind += r.Behind
		sum.Alerts += len(r.Alerts)
	}
	n := sum.Verdicts
	silence := strconv.FormatFloat(s.opt.Silence.Hours(), 'f', -1, 64) + " h"
	if h := s.opt.Silence.Hours(); h >= 48 && h/24 == float64(int(h/24)) {
		silence = fmt.Sprintf("%d days", int(h/24))
	}
	unheard := ""
	if n[hub.Silent] > 0 {
		unheard = fmt.Sprintf(", %d not heard for %s", n[hub.Silent], silence)
	}
	of := " of " + boat.Counted(sum.Boats, "boat", "boats")
	switch {
	case sum.Boats == 0:
		sum.mark, sum.Sentence = "quiet", "No boat is enrolled yet."
	case n[hub.Visit] > 0:
		sum.mark, sum.Sentence = "critical", strconv.Itoa(n[hub.Visit])+of+needs(n[hub.Visit])+" a visit"+unheard+"."
	case n[hub.Silent] > 0:
		sum.mark, sum.Sentence = "warning", strconv.Itoa(n[hub.Silent])+of+" not heard for "+silence+"."
	case n[hub.Watch] > 0:
		sum.mark, sum.Sentence = "warning", "No boat needs a visit. Watch "+strconv.Itoa(n[hub.Watch])+of+"."
	case n[hub.Never] == sum.Boats:
		sum.mark, sum.Sentence = "quiet", "No boat has been heard yet."
	case n[hub.Never] > 0:
		sum.mark, sum.Sentence = "well", fmt.Sprintf("All boats heard are OK; %d of %s never heard.", n[hub.Never], boat.Counted(sum.Boats, "boat", "boats"))
	default:
		sum.mark, sum.Sentence = "well", "All boats are OK."
	}
	return sum
}

func needs(n int) string {
	if n == 1 {
		return " needs"
	}
	return " need"
}

// revoked reports whether the boat's credentials were revoked.
func (r *row) revoked() bool { return !r.Revoked.IsZero() }

// rank puts boats in order of their verdicts, the worst first.
func rank(r *row) int {
	if r.revoked() {
		return len(verdicts)
	}
	return slices.Index(verdicts, r.Verdict)
}

// since is how long ago t was, in words.
func (s *Server) since(t time.Time) string {
	if t.IsZero() {
		return "never"
	}
	switch d := s.opt.Now().Sub(t); {
	case d < 2*time.Minute:
		return "just now"
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min ago", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h ago", d.Hours())
	default:
		return fmt.Sprintf("%.0f days ago", d.Hours()/24)
	}
}
