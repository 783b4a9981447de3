package pages

import (
	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/job"
	"muster/internal/ui"
)

// legend explains the interval plots.
func legend() g.Node {
	return ui.Meta(g.Text("Intervals from 10 ms to 100 s, a grid line for each power of ten. " +
		"Line: shortest to longest. Box: usual spread. Bar: mean. Diamond: published or usual interval."))
}

// yourName asks for the name of the person who acts.
func yourName() g.Node { return nameField("") }

// nameField is yourName with the name that was given before.
func nameField(name string) g.Node {
	return ui.Field("Your name", "by", h.Required(), ui.MaxLength(60), h.AutoComplete("name"), g.If(name != "", h.Value(name)))
}

// jobFields are the fields of a form for the header of a printed document.
func jobFields(j *job.Job) g.Node {
	return g.Group{
		ui.ValueField("Job number", "number", 80, j.Number),
		ui.ValueField("Date", "date", 80, j.Date),
		ui.ValueField("Technician", "technician", 80, j.Technician, h.AutoComplete("name")),
		ui.ValueField("Customer", "customer", 80, j.Customer),
		ui.ValueField("Place", "place", 80, j.Place),
		ui.ValueField("Shop", "shop", 80, j.Shop.Name, h.AutoComplete("organization")),
		ui.ValueField("Contact", "contact", 80, j.Shop.Contact),
		ui.ValueField("Work ordered", "work", 400, j.Work),
		ui.Field("Note", "note", ui.MaxLength(400)),
	}
}

// printButtons send a form for a document as a page, or as a PDF at its own address.
func printButtons(pdf string) g.Node {
	return h.P(ui.Button("Open as page"), ui.Space, ui.Button("Open as PDF", h.FormAction(pdf)))
}
