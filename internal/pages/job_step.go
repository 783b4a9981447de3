package pages

import (
	"fmt"
	"net/url"
	"slices"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/render"
	"muster/internal/ui"
)

// stepView is one step of a job's order.
type stepView struct {
	job    jobView
	step   *release.Step
	status *release.StepStatus
}

// node is a step with its state, its instructions, and what a person can say about it.
func (v stepView) node() g.Node {
	s := v.status
	return h.Li(h.Class("step "+string(s.State)), h.ID("step-"+v.step.ID),
		h.H3(ui.StateAs(s.State, render.StepWords(s)), ui.Space, ui.Printable(fmt.Sprintf("%s %s: %s → %s", v.step.ID, v.step.Device.Label, v.step.From, v.step.To))),
		v.moments(),
		ui.Meta(g.Text(v.summary())),
		g.Map(s.Failures, func(f release.Failure) g.Node {
			return h.P(h.Class("failure"), ui.Mark("critical"), ui.Space, ui.Printable(f.Text), ui.Small(ui.After("was: ", f.Was)))
		}),
		g.Map(s.Attempts, attempt),
		g.Map(s.Settled, func(x release.Settled) g.Node {
			return ui.Meta(ui.Printable(fmt.Sprintf("settled by %s: %s (%s)", x.By, x.Reason, x.What)))
		}),
		g.Map(s.Notes, func(note string) g.Node { return ui.Meta(ui.Printable(note)) }),
		v.how(),
		g.If(v.job.Open() && v.job.Stage != api.StageRecord && s.State != release.StepVerified, v.forms()))
}

// moments are what the network showed, in its order.
func (v stepView) moments() g.Node {
	s := v.status
	at := func(words string, t event.Time) g.Node {
		if t == 0 {
			return h.Li(g.Text("○ " + words))
		}
		return h.Li(g.Text("● "+words+" "), v.job.v.Clock(t))
	}
	if s.LeftAt == 0 {
		return nil
	}
	shown := "on the network: "
	if s.Version == "" {
		shown += "version not reported yet"
	} else {
		shown += boat.Printable(s.Version)
	}
	return h.Ul(h.Class("facts"), at("left", s.LeftAt), at("back", s.BackAt), at(shown, s.IdentifiedAt),
		g.Iff(s.ByHand != nil, func() g.Node {
			return h.Li(ui.Printable("read by hand by " + s.ByHand.By))
		}))
}

// summary is what the step takes, and its result.
func (v stepView) summary() string {
	words := fmt.Sprintf("%s · %d min · back within %d min", render.MediumFile(v.step.Medium), v.step.Minutes, v.step.BackWithin)
	if volts := v.status.LowestVolts; volts != nil {
		words += fmt.Sprintf(" · lowest battery voltage %.1f V", *volts)
	}
	if v.status.Attempt > 1 {
		words += fmt.Sprintf(" · attempt %d", v.status.Attempt)
	}
	return words
}

// attempt is one that is over: it stays as it ended.
func attempt(a release.Attempt) g.Node {
	var why []string
	for _, f := range a.Failures {
		why = append(why, f.Text)
	}
	return h.P(h.Class("failure"), ui.Mark("critical"), ui.Space, ui.Printable(fmt.Sprintf("attempt %d failed: %s", a.Number, strings.Join(why, "; "))))
}

// how lists the instructions, open until the device has left.
func (v stepView) how() g.Node {
	s := v.step
	if len(s.Before)+len(s.Cautions)+len(s.AfterSteps) == 0 {
		return nil
	}
	open := slices.Contains([]release.StepState{release.StepLeft, release.StepWaiting, release.StepFailed}, v.status.State)
	item := func(text string) g.Node { return h.Li(ui.Printable(text)) }
	return ui.More("how-"+s.ID, open, g.Text("Instructions"), h.Ol(g.Map(s.Before, item), g.Map(s.Cautions, caution), g.Map(s.AfterSteps, item)))
}

// forms are the entries of a person about the step.
func (v stepView) forms() g.Node {
	id := v.step.ID
	read, settle := "read-"+id, "settle-"+id
	return h.Div(h.Class("bar"),
		v.job.folded(read, "Read off its screen", v.job.entry(read, job.ReadByHand, "Save version", func(was url.Values) g.Node {
			return g.Group{ui.Hidden("step", id), ui.ValueField("Version on its screen", "version", 80, was.Get("version"), h.Required())}
		})),
		g.If(len(v.status.Failures) > 0, v.job.folded(settle, "Settle", v.job.entry(settle, job.Settled, "Settle on my word", func(was url.Values) g.Node {
			return g.Group{ui.Hidden("step", id), ui.ValueField("Why (prints on the record)", "reason", 400, was.Get("reason"), h.Required())}
		}))))
}
