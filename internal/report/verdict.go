package report

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
)

// VerdictState is the boat in one word.
type VerdictState string

// The states of a verdict, best first.
const (
	VerdictOK        VerdictState = "ok"
	VerdictUnknown   VerdictState = "unknown" // too little was received, or what was received is damaged
	VerdictAttention VerdictState = "attention"
	VerdictFault     VerdictState = "fault"
)

// Verdict is the boat in one sentence, with what casts doubt on it.
type Verdict struct {
	State    VerdictState `json:"state"`
	Sentence string       `json:"sentence"`
	Damage   []string     `json:"damage,omitempty"` // what is wrong with a recording: cut, damaged, a clock that jumps
}

// Judged is what the verdict rests on.
type Judged struct {
	Checks    int        `json:"checks"` // how many there are
	Judged    int        `json:"judged"` // how many of them found something or looked at something
	NotJudged []Unjudged `json:"not_judged"`
}

// Unjudged is what a check could not judge.
type Unjudged struct {
	Check   string     `json:"check"`
	Subject string     `json:"subject,omitempty"` // a device, a quantity, a network; all when absent
	Why     string     `json:"why"`
	Needs   check.Need `json:"needs"`
	MoreSec float64    `json:"more_s,omitempty"` // how much longer to listen
	Partly  bool       `json:"partly,omitempty"` // the check judged other subjects
}

// Judge fills in what the checks judged, and the verdict that follows from it and from the alerts.
func (r *Report) Judge(j *check.Judgement) {
	judged, all := map[string]bool{}, map[string]bool{}
	for i := range j.Findings {
		judged[j.Findings[i].Check] = true
	}
	for _, s := range j.Clear {
		judged[s.Check] = true
	}
	for i := range r.Alerts {
		if r.Alerts[i].Counts() { // what came and went was judged too
			judged[r.Alerts[i].Check] = true
		}
	}
	maps.Copy(all, judged)
	list := make([]Unjudged, 0, len(j.NotJudged))
	for _, u := range j.NotJudged {
		all[u.Check] = true
		list = append(list, Unjudged{Check: u.Check, Subject: u.Subject.Subject, Why: u.Why, Needs: u.Needs, MoreSec: math.Ceil(u.More.Seconds()),
			Partly: judged[u.Check]})
	}
	r.Judged = &Judged{Checks: len(all), Judged: len(judged), NotJudged: list}
	r.Verdict = r.verdict()
}

// Shortfall is how many checks judged nothing for lack of one thing, and how much longer to listen where that is it.
type Shortfall struct {
	Needs   check.Need
	Checks  int
	MoreSec float64
}

// Shortfalls are the checks that judged nothing, by what they need: first what can be given at once by listening or
// asking. A check is counted once, by the first of its needs in that order.
func (j *Judged) Shortfalls() []Shortfall {
	order := []check.Need{check.NeedTime, check.NeedAsking, check.NeedTraffic, check.NeedSources, check.NeedInterface, check.NeedSheets, check.NeedLayout,
		check.NeedBaseline, check.NeedSetting}
	first, more := map[string]check.Need{}, map[string]float64{}
	for i := range j.NotJudged {
		u := &j.NotJudged[i]
		if u.Partly {
			continue
		}
		if was, ok := first[u.Check]; !ok || slices.Index(order, u.Needs) < slices.Index(order, was) {
			first[u.Check] = u.Needs
		}
		more[u.Check] = max(more[u.Check], u.MoreSec)
	}
	var list []Shortfall
	for _, need := range order {
		s := Shortfall{Needs: need}
		for id, n := range first {
			if n == need {
				s.Checks++
				s.MoreSec = max(s.MoreSec, more[id])
			}
		}
		if s.Checks > 0 {
			list = append(list, s)
		}
	}
	return list
}

// Unjudged is how many checks judged nothing that could with more traffic or by asking.
func (j *Judged) Unjudged() (n int) {
	for _, s := range j.Shortfalls() {
		if s.Needs == check.NeedTime || s.Needs == check.NeedAsking {
			n += s.Checks
		}
	}
	return n
}

// Group is the alerts of one check and severity that count against the boat.
type Group struct {
	Check    string
	Severity check.Severity
	Alerts   []*alert.Alert // alias the report
}

// Groups are the alerts that count against the boat, like ones together, worst first, then by check.
func (r *Report) Groups() []Group {
	var counting []*alert.Alert
	for i := range r.Alerts {
		if r.Alerts[i].Counts() {
			counting = append(counting, &r.Alerts[i])
		}
	}
	var groups []Group
	for _, alike := range check.Alike(counting, func(a **alert.Alert) (string, check.Severity) { return (*a).Check, (*a).Severity }) {
		g := Group{Check: (*alike[0]).Check, Severity: (*alike[0]).Severity}
		for _, a := range alike {
			g.Alerts = append(g.Alerts, *a)
		}
		groups = append(groups, g)
	}
	return groups
}

// Settled is the report as it is sealed: of the moment, without alerts that merely have not cleared yet. It shares the rest with r.
func (r *Report) Settled() *Report {
	if !slices.ContainsFunc(r.Alerts, func(a alert.Alert) bool { return a.AwaySince != 0 }) {
		return r
	}
	s := *r
	s.Alerts = slices.Clone(r.Alerts)
	for i := range s.Alerts {
		s.Alerts[i].Settle()
	}
	if s.Verdict != nil {
		s.Verdict = s.verdict()
	}
	return &s
}

// Conclusion is the verdict, also of a report that was made before reports had one.
func (r *Report) Conclusion() Verdict {
	if r.Verdict != nil {
		return *r.Verdict
	}
	return *r.verdict()
}

// verdict makes the sentence.
func (r *Report) verdict() *Verdict {
	count, quiet := map[check.Severity]int{}, 0 // what people have seen is not counted, and never hidden
	for _, g := range r.Groups() {
		seen := 0
		for _, a := range g.Alerts {
			if a.Quiet() {
				seen++
			}
		}
		if seen < len(g.Alerts) {
			count[g.Severity]++
		}
		if g.Severity.Rank() > check.Info.Rank() {
			quiet += seen
		}
	}
	v := &Verdict{Damage: r.damage()}
	attention := boat.Counted(count[check.Warning], "thing needs", "things need") + " attention"
	judged, short := 1, 0 // in a report that does not give it
	if r.Judged != nil {
		judged, short = r.Judged.Judged, r.Judged.Unjudged()
	}
	switch {
	case count[check.Critical] > 0:
		v.State, v.Sentence = VerdictFault, boat.Counted(count[check.Critical], "fault needs", "faults need")+" action now"
		if count[check.Warning] > 0 {
			v.Sentence += ", " + attention
		}
	case count[check.Warning] > 0:
		v.State, v.Sentence = VerdictAttention, attention
	case quiet > 0:
		v.State = VerdictAttention
		v.Sentence = "Nothing else needs attention: " + boat.Counted(quiet, "alert is", "alerts are") + " acknowledged or silenced"
	case !slices.ContainsFunc(r.Networks, func(n Network) bool { return n.Frames > 0 }):
		v.State, v.Sentence = VerdictUnknown, "Nothing was received"
	case r.TakenAt.IsZero():
		v.State, v.Sentence = VerdictUnknown, "The traffic has no time stamps, so most checks do not apply"
	case judged <= short:
		v.State, v.Sentence = VerdictUnknown, "Too little was received to check the boat"
	case short > 0:
		v.State, v.Sentence = VerdictOK, "Nothing found needs attention, but "+boat.Counted(short, "check", "checks")+" could not be judged yet"
	default:
		v.State, v.Sentence = VerdictOK, "Nothing needs attention"
	}
	if quiet > 0 && count[check.Critical]+count[check.Warning] > 0 {
		v.Sentence += "; " + boat.Counted(quiet, "more is", "more are") + " acknowledged or silenced"
	}
	v.Sentence += "."
	if len(v.Damage) > 0 {
		v.Sentence += " The recording is damaged: " + strings.Join(v.Damage, ", ") + "."
		if v.State == VerdictOK {
			v.State = VerdictUnknown
		}
	}
	return v
}

// Jumps of the clock of a recording that make its times doubtful. Stamps that are out of order by less come from buffers; what is quiet for
// less is a recording that was paused.
const (
	jumpBack  = time.Second
	jumpAhead = 10 * time.Minute
)

// damage lists what is wrong with a recording.
func (r *Report) damage() (words []string) {
	if r.Clock != boat.ClockCapture && r.Clock != boat.ClockGNSS {
		return nil
	}
	for i := range r.Networks {
		n := &r.Networks[i]
		if d := n.Faults.DamagedRecords; d > 0 {
			words = append(words, fmt.Sprintf("%s on %s cannot be read", boat.Counted(int(d), "record", "records"), n.ID))
		}
		if n.Live == nil {
			continue
		}
		if n.Live.Back >= jumpBack {
			words = append(words, fmt.Sprintf("the clock on %s jumps back by %v", n.ID, n.Live.Back.Round(time.Second)))
		}
		if n.Live.Ahead >= jumpAhead {
			words = append(words, fmt.Sprintf("%s has a gap or a jump of the clock of %v", n.ID, n.Live.Ahead.Round(time.Second)))
		}
	}
	return words
}
