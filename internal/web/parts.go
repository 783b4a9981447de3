package web

import (
	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/job"
)

// legend explains the interval plots.
func legend() g.Node {
	return Meta(g.Text("Intervals from 10 ms to 100 s, a line for each power of ten: " +
		"line = shortest to longest, box = usual spread, bar = mean, diamond = published or usual."))
}

// yourName asks who acts.
func yourName() g.Node { return nameField("") }

// nameField is yourName with the name that was given before.
func nameField(name string) g.Node {
	return Field("Your name", "by", h.Required(), MaxLength(60), h.AutoComplete("name"), g.If(name != "", h.Value(name)))
}

// jobFields are the lines of a form that a printed document begins with.
func jobFields(j *job.Job) g.Node {
	return g.Group{
		ValueField("Job number", "number", 80, j.Number),
		ValueField("Date", "date", 80, j.Date),
		ValueField("Technician", "technician", 80, j.Technician, h.AutoComplete("name")),
		ValueField("Customer", "customer", 80, j.Customer),
		ValueField("Place", "place", 80, j.Place),
		ValueField("Shop", "shop", 80, j.Shop.Name, h.AutoComplete("organization")),
		ValueField("Contact", "contact", 80, j.Shop.Contact),
		ValueField("Work ordered", "work", 400, j.Work),
		Field("Note", "note", MaxLength(400)),
	}
}

// printButtons send a form for a document as a page, or as a PDF that stands at its own address.
func printButtons(pdf string) g.Node {
	return h.P(Button("As a page"), space, Button("As a PDF", h.FormAction(pdf)))
}
