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
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/render"
	"muster/internal/ui"
)

// jobView is a job as a reader sees it.
type jobView struct {
	*api.Job
	v *view
}

// stageNames are the stages in a word each.
var stageNames = map[api.JobStage]string{api.StageBefore: "before", api.StagePlan: "plan", api.StageGo: "go", api.StageWork: "work",
	api.StageAfter: "after", api.StageRecord: "record", api.StageClosed: "closed"}

// stages shows how far the job is.
func (j jobView) stages() g.Node {
	now := slices.Index(api.Stages(), j.Stage)
	return h.Ol(h.Class("stages"), h.Aria("label", "Stages of the job"), g.Map(api.Stages(), func(s api.JobStage) g.Node {
		i := slices.Index(api.Stages(), s)
		switch {
		case i < now || j.Stage == api.StageClosed:
			return h.Li(h.Class("done"), g.Text(stageNames[s]), ui.Space, ui.Mark("well"), ui.Unseen("done"))
		case i == now:
			return h.Li(h.Class("now"), h.Aria("current", "step"), g.Text(stageNames[s]))
		}
		return h.Li(g.Text(stageNames[s]))
	}))
}

// stage is the screen of the present stage.
func (j jobView) stage() g.Node {
	switch j.Stage {
	case api.StageBefore:
		return ui.Section("before", "Before the work", j.act("before", "Take the snapshot before the work", true,
			ui.Meta(g.Text("Touch nothing yet. The record compares the boat with this snapshot."))))
	case api.StagePlan:
		return g.Group{ui.Section("plan", "Plan", j.plan()), j.remedies(), j.said()}
	case api.StageGo:
		return g.Group{ui.Section("go", "Go or no-go", j.verdict(), j.preChecks()), ui.Section("points", "Before you begin", j.points()), j.steps(), j.replan(), j.remedies(), j.said()}
	case api.StageWork:
		return g.Group{j.steps(), j.remedies(), j.said()}
	case api.StageAfter:
		return g.Group{ui.Section("after", "After the work", j.act("after", "Take the snapshot after the work", true,
			ui.Meta(ui.Printable(j.Next.Why+". The record compares it with the one before.")))), j.steps(), j.remedies(), j.said()}
	case api.StageRecord:
		return g.Group{ui.Section("record", "Record", j.record()), j.said(), j.steps()}
	}
	if j.Stage == api.StageAway {
		return j.away()
	}
	return j.closed()
}

// act is a form with one button that takes the job a step on; more comes before the button.
func (j jobView) act(do, words string, main bool, more ...g.Node) g.Node {
	if !j.v.Act {
		return g.Group(more)
	}
	was := j.v.typed(actPath, "do", do)
	class := ""
	if main {
		class = "main"
	}
	return ui.Post(actPath, h.ID("act-"+do), h.Class("panel"), j.v.wrong(was), g.Group(more), ui.Hidden("do", do), j.v.byField(was), h.P(ui.Button(words, h.Class(class))))
}

// entry is a form that puts something into the job. id distinguishes it from others of its kind.
func (j jobView) entry(id string, kind job.Kind, words string, fields func(was url.Values) g.Node) g.Node {
	if !j.v.Act {
		return nil
	}
	was := j.v.typed(entryPath, "form", id)
	return ui.Post(entryPath, h.ID("entry-"+id), h.EncType("multipart/form-data"), j.v.wrong(was), ui.Hidden("form", id),
		ui.Hidden("kind", string(kind)), fields(was), j.v.byField(was), ui.Space, ui.Button(words))
}

// folded is an entry behind a line that opens it; it is open when it was refused.
func (j jobView) folded(id, summary string, entry g.Node) g.Node {
	if !j.v.Act {
		return nil
	}
	return h.Details(h.Class("act"), h.ID("fold-"+id), g.If(j.v.typed(entryPath, "form", id) != nil, g.Attr("open")), h.Summary(g.Text(summary)), entry)
}

// camera asks for a picture.
func camera() g.Node {
	return ui.Field("Picture", "picture", h.Type("file"), h.Accept("image/jpeg,image/png"), g.Attr("capture", "environment"))
}

// plan is the order that the sheets make, to choose from.
func (j jobView) plan() g.Node {
	skip := ui.More("skip-plan", j.Plan == nil || len(j.Plan.Steps()) == 0, g.Text("Without an update"), j.act("after", "Take the snapshot after the work", false,
		ui.Meta(g.Text("For a visit without an update. Do your work first: the snapshot shows the boat as it is then."))))
	if j.Plan == nil {
		return g.Group{ui.Empty("There are no release sheets: no update can be planned. Name their folder in the config, under sheets."), skip}
	}
	return g.Group{j.choice("Make the work order"), j.remarks(j.Plan), skip}
}

// remarks lists what an order leaves out, and why.
func (j jobView) remarks(o *release.Order) g.Node {
	return g.Group{
		headed("Deferred", o.Deferred, func(r release.Remark) g.Node { return ui.Printable(render.Remark(r)) }),
		headed("Unresolved problems", render.Problems(o.Problems), func(x release.Problem) g.Node {
			return g.Group{ui.Mark("warning"), ui.Space, ui.Printable(x.Text), ui.Small(boat.Printable(x.Remedy))}
		})}
}

// verdict says in one word whether the work may begin.
func (j jobView) verdict() g.Node {
	say := func(state, words string) g.Node {
		return h.P(h.Class("sentence state "+state), h.Role("status"), ui.Mark(state), ui.Space, g.Text(words))
	}
	n := len(j.Next.Blockers)
	switch {
	case j.Next.Go == job.GoNo:
		return say("critical", "No go: "+boat.Counted(n, "thing", "things")+" to settle.")
	case n > 0:
		return say("warning", "Not yet: "+boat.Counted(n, "thing", "things")+" to settle.")
	case j.Next.Go == job.GoCheck:
		return say("warning", "Check first: not everything is known.")
	}
	return say("well", "Go.")
}

// preChecks lists the pre-checks with live values, and lets a person go on in spite of one.
func (j jobView) preChecks() g.Node {
	check := func(c job.PreCheck) g.Node {
		line := g.Group{ui.State(c.Result), ui.Space, ui.Printable(c.Text)}
		if c.WaivedBy != "" {
			line = append(line, ui.Small(boat.Printable("waived by "+c.WaivedBy+": "+c.Why)))
		} else if c.Result != release.Passed {
			line = append(line, j.folded("waive-"+c.ID, "Waive", j.entry("waive-"+c.ID, job.Waived, "Waive pre-check", func(was url.Values) g.Node {
				return g.Group{ui.Hidden("check", c.ID), ui.ValueField("Why (prints on the record)", "reason", 400, was.Get("reason"), h.Required())}
			})))
		}
		return h.Li(h.ID("check-"+c.ID), line)
	}
	return ui.Plain(g.Map(j.Next.PreChecks, check))
}

// points lists the hold points, each with its button.
func (j jobView) points() g.Node {
	point := func(p api.TickedPoint) g.Node {
		if p.By != "" {
			words := "ticked by " + p.By + ui.After(" · ", p.Reading)
			return h.Li(h.ID("point-"+p.ID), h.Class("point"), h.Span(h.Class("state passed"), ui.Mark("well"), ui.Unseen("ticked")), ui.Space, ui.Printable(p.Text),
				ui.Small(boat.Printable(words)), g.If(p.Photo != "", picture(p.Photo, p.Text)))
		}
		return j.tick(p.Point)
	}
	return h.Ul(h.Class("plain points"), g.Map(j.Points, point))
}

// tick is a point that is not ticked yet, with its buttons.
func (j jobView) tick(p job.Point) g.Node {
	id := "point-" + ui.Slug(p.ID)
	fields := func(more ...g.Node) func(url.Values) g.Node {
		return func(url.Values) g.Node { return g.Group{ui.Hidden("point", p.ID), g.Group(more)} }
	}
	quick, more := j.entry(id, job.HoldPoint, "☐ "+boat.Printable(p.Text), fields()), "Picture or reading"
	if p.Needs != "" {
		quick, more = h.Span(ui.Printable("☐ "+p.Text)), "Tick with a "+strings.Replace(string(p.Needs), "photo", "picture", 1)
	}
	return h.Li(h.ID(id), h.Class("point"), g.If(!j.v.Act && p.Needs == "", ui.Printable(p.Text)), quick,
		j.folded(id+"-more", more, j.entry(id+"-more", job.HoldPoint, "Tick with picture or reading",
			fields(ui.ValueField("Reading", "reading", 80, ""), camera()))))
}

// remedies are the steps of the findings' remedies that are not ticked.
func (j jobView) remedies() g.Node {
	if len(j.Next.Remedies) == 0 {
		return nil
	}
	return ui.More("remedies", false, g.Textf("Remedies of the findings (%d open)", len(j.Next.Remedies)),
		h.Ul(h.Class("plain points"), g.Map(j.Next.Remedies, j.tick)))
}

// picture is a picture of the job, which opens in full.
func picture(name, text string) g.Node {
	at := "/work/file?name=" + ui.Query(name)
	return h.A(h.Class("shot"), h.Href(at), h.Img(h.Src(at), h.Alt(boat.Printable("Picture: "+text)), h.Loading("lazy")))
}

// steps lists the steps, those that are done folded away.
func (j jobView) steps() g.Node {
	o := j.Work.Order
	if o == nil {
		return nil
	}
	var open, done g.Group
	for _, s := range o.Steps() {
		st := stepView{j, s, &release.StepStatus{State: release.StepWaiting}}
		if i := slices.IndexFunc(j.Work.Status, func(x release.StepStatus) bool { return x.Step == s.ID }); i >= 0 {
			st.status = &j.Work.Status[i]
		}
		if st.status.State == release.StepVerified {
			done = append(done, st.node())
		} else {
			open = append(open, st.node())
		}
	}
	sentence := fmt.Sprintf("%d of %s done", len(done), boat.Counted(len(done)+len(open), "step", "steps"))
	return ui.Section("steps", "Steps",
		h.P(h.Class("sentence"), h.Role("status"), g.Text(sentence+".")),
		g.If(j.Stage == api.StageWork, ui.Meta(ui.Printable(j.Next.Do+"."))),
		g.If(j.Stage == api.StageGo || j.Stage == api.StageWork, ui.More("cautions", j.Stage == api.StageGo, g.Text("Cautions"), h.Ul(h.Class("cautions"), g.Map(o.Cautions, caution)))),
		h.Ol(h.Class("steps"), open),
		g.If(len(done) > 0, ui.More("done-steps", j.Stage == api.StageWork, g.Textf("Done (%d)", len(done)), h.Ol(h.Class("steps"), done))),
		g.If(j.Stage == api.StageWork || j.Stage == api.StageGo, ui.More("stop-early", false, g.Text("Stop before all steps are done"),
			j.act("after", "Take the snapshot after the work", false, ui.Meta(g.Text("Steps that are not done stay open on the record."))))),
		j.remarks(o))
}

func caution(text string) g.Node { return h.Li(ui.Mark("warning"), ui.Space, ui.Printable(text)) }

// headed is a list of lines under a heading; without lines it is nothing.
func headed[T any](title string, list []T, line func(T) g.Node) g.Node {
	if len(list) == 0 {
		return nil
	}
	return g.Group{h.H3(g.Text(title)), ui.Plain(g.Map(list, func(x T) g.Node { return h.Li(line(x)) }))}
}

// signed is who made an entry, and when.
func (j jobView) signed(s job.Statement) g.Node {
	return g.Group{ui.Space, h.Small(ui.Printable(s.By+", "), j.v.Moment(s.At))}
}

// said is what people put in, and the forms to put in more.
func (j jobView) said() g.Node {
	note := func(s job.Statement) g.Node {
		return h.Li(ui.Printable(s.Text), j.signed(s))
	}
	var shots g.Group
	for _, f := range j.Files {
		if f.What == job.Photo {
			shots = append(shots, picture(f.File, f.Text))
		}
	}
	return ui.Section("said", "Notes and pictures",
		g.If(len(j.Notes) > 0, ui.Plain(g.Map(j.Notes, note))),
		g.If(len(shots) > 0, h.P(h.Class("shots"), shots)),
		j.folded("note", "Note or picture", j.entry("note", job.Note, "Save note", func(was url.Values) g.Node {
			return g.Group{ui.ValueField("Note", "text", 2000, was.Get("text")), camera()}
		})), g.If(j.v.Act, j.handOver()))
}

// record is what the record lacks, and the forms that give it.
func (j jobView) record() g.Node {
	hours := func(w job.Work) g.Node { return g.Text(job.HoursText(w.Minutes) + ui.After(" ", w.Kind)) }
	part := func(p job.PartUsed) g.Node {
		return g.Text(fmt.Sprintf("%d × %s%s", p.Count, boat.Printable(p.Name), ui.After(" ", p.Number)))
	}
	return g.Group{
		headed("Still missing", j.Next.Missing, func(l job.Lack) g.Node {
			return g.Group{ui.Mark("warning"), ui.Space, ui.Printable(l.Text)}
		}),
		headed("Hours", j.Hours, hours),
		j.folded("hours", "Add hours", j.entry("hours", job.Hours, "Add hours", func(was url.Values) g.Node {
			return g.Group{ui.ValueField("Hours", "hours", 10, was.Get("hours"), h.Required(), g.Attr("inputmode", "decimal")), ui.ValueField("Kind of work", "text", 80, was.Get("text"))}
		})),
		headed("Parts", j.Parts, part),
		j.folded("part", "Add part", j.entry("part", job.Part, "Add part", func(was url.Values) g.Node {
			return g.Group{ui.ValueField("Part", "text", 80, was.Get("text"), h.Required()), ui.ValueField("Part number", "number", 80, was.Get("number")),
				ui.ValueField("Count", "count", 5, was.Get("count"), g.Attr("inputmode", "numeric"))}
		})),
		h.H3(g.Text("Customer")),
		j.signature(),
		j.act("close", "Make the record and close the job", true, ui.Meta(g.Text("Nothing in the ledger can be changed after that.")), j.keys("It is signed with the ")),
	}
}

// keys are those with which the job is signed.
func (j jobView) keys(lead string) g.Node {
	if len(j.Keys) == 0 {
		return ui.Meta(g.Text("It is closed without a key: an accident is found, forgery is not."))
	}
	return g.Map(j.Keys, func(k job.KeyName) g.Node { return ui.Meta(ui.Printable(lead + k.String())) })
}

// signature is who agreed, or the field to sign: drawn with a finger, or with the typed name alone.
func (j jobView) signature() g.Node {
	if s := j.SignOff; s != nil {
		return h.P(ui.Mark("well"), ui.Space, ui.Printable(s.Text), j.signed(*s), render.Signature(s))
	}
	return j.entry("sign", job.SignedOff, "Sign", func(was url.Values) g.Node {
		return g.Group{ui.ValueField("Name of the customer", "customer", 60, was.Get("customer"), h.Required(), h.AutoComplete("off")),
			ui.Hidden("strokes", ""), h.Div(h.Class("whole signing"), h.ID("signing"))}
	})
}

// handOver is the form that hands the job over.
func (j jobView) handOver() g.Node {
	return ui.More("hand-over", j.v.typed(actPath, "do", "hand-over") != nil, g.Text("Hand the job over"), j.act("hand-over", "Hand the job over", false,
		ui.Meta(g.Text("For work that goes on elsewhere, such as on the laptop. Nothing more can be entered here then. Take along the file that is then offered here.")),
		ui.ValueField("Where it goes on", "to", 80, j.v.typed(actPath, "do", "hand-over").Get("to"), h.Required())))
}

// away is where the job went, and the file that goes with it.
func (j jobView) away() g.Node {
	return g.Group{
		ui.Section("away", "The job was handed over",
			ui.Meta(ui.Printable(j.Next.Do+".")),
			h.P(h.Class("links"), h.A(h.Href("/work/pack"), g.Text("Download the job in one file"))),
			ui.Meta(g.Text("muster job open --from goes on with it, or the page Work of another boat computer."))),
		ui.Section("job", "New job", newJob(j.v)),
	}
}

// takeOver is the form that takes a job over; the one that was handed over from here comes back with it.
func takeOver(v *view) g.Node {
	was := v.typed(takePath, "", "")
	return ui.More("take-over", was != nil, g.Text("Take a job over"), ui.Post(takePath, h.EncType("multipart/form-data"), h.Class("panel"), v.wrong(was),
		ui.Meta(g.Text("For a job that was handed over elsewhere, with muster job pack --to or on the page Work.")),
		ui.Field("File of the job", "pack", h.Type("file"), h.Accept(".zip,application/zip"), h.Required()), v.byField(was),
		h.P(ui.Button("Take the job over"))))
}

// closed is where the record is, and how the job is handed over.
func (j jobView) closed() g.Node {
	var papers g.Group
	for _, f := range j.Files {
		if f.What == job.Paper {
			papers = append(papers, h.Li(h.A(h.Href("/work/file?name="+ui.Query(f.File)), ui.Printable(f.File))))
		}
	}
	return g.Group{
		ui.Section("closed", "The job is closed",
			ui.Plain(papers),
			h.P(h.Class("links"), h.A(h.Href("/work/pack"), g.Text("Download the job in one file"))),
			ui.Meta(g.Text("The file holds the ledger, snapshots, order, pictures and record. muster job check verifies it.")),
			ui.Meta(g.Text("SHA-256 "), h.Code(ui.Printable(j.SHA256))), g.If(j.Lines > 0, j.keys("Signed with the "))),
		g.If(j.Lines > 0, ui.Section("reopen", "Open again", j.folded("reopen", "Open the job again", j.entry("reopen", job.Reopened, "Open again", func(was url.Values) g.Node {
			return ui.ValueField("Why", "reason", 400, was.Get("reason"), h.Required())
		})))),
		ui.Section("job", "New job", newJob(j.v)),
	}
}
