package pages

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/ui"
)

func (p *editorPage) show(v *view) g.Node {
	return g.Group{
		h.P(h.Class("crumb"), h.A(h.Href("/network"), g.Text("Network"))),
		h.H1(g.Text("Layout editor")),
		ui.Meta(g.Text("Draw the backbone from one end to the other. Every change rechecks the layout. Drag a tee along the backbone, or a unit to another tee. "),
			g.Text("With the keyboard: Enter opens a part, + adds a tee after it, Delete removes it, Ctrl+Z takes back the last change.")),
		p.problems(),
		h.P(h.Class("bar"), ui.Button("Undo", h.Type("button"), h.ID("undo"), g.Attr("hidden")), ui.Button("Redo", h.Type("button"), h.ID("redo"), g.Attr("hidden"))),
		p.checked(),
		p.Draft.form(v),
		p.versions(v),
		ui.More("text", false, g.Text("Layout as a file"),
			h.Pre(h.Class("file"), h.TabIndex("0"), h.Role("region"), h.Aria("label", "The layout as a file"), g.Text(p.YAML))),
		ui.More("open", p.Pasted != "", g.Text("Open another file"), p.openForm()),
	}
}

// versions lists what was saved on the boat, the latest first; an earlier one can be opened and saved again.
func (p *editorPage) versions(v *view) g.Node {
	if len(p.Kept) == 0 {
		return nil
	}
	list := slices.Clone(p.Kept)
	slices.Reverse(list)
	return ui.More("versions", false, g.Text(boat.Counted(len(list), "saved version", "saved versions")), ui.Plain(g.Map(list, func(k api.KeptLayout) g.Node {
		return h.Li(h.A(h.Href(fmt.Sprintf("%s?version=%d", editorPath, k.Number)), g.Textf("Version %d", k.Number)), g.Text(ui.After(" of ", k.Network)),
			g.Text(" saved by "+boat.Printable(k.By)+", "), v.Moment(k.At))
	})))
}

func (p *editorPage) problems() g.Node {
	if len(p.Problems) == 0 {
		return nil
	}
	return h.Section(h.Class("notice bad"), h.Aria("labelledby", "problems"), h.H2(h.ID("problems"), g.Text("Errors to correct")),
		ui.Plain(g.Map(p.Problems, func(line string) g.Node { return h.Li(ui.Mark("critical"), ui.Space, g.Text(line)) })))
}

// checked is the result of checking the layout by the rules and comparing it with the network.
func (p *editorPage) checked() g.Node {
	if p.Audit == nil {
		return g.Iff(p.Drawn != nil, func() g.Node {
			return ui.Section("checked", "Drawing", ui.Meta(g.Text("Drawn without what is wrong. Correct the fields that are marked.")), p.Drawn.drawn())
		})
	}
	var problem g.Node
	if p.Audit.Problem != "" {
		problem = ui.Meta(g.Text("Not compared with a network: " + boat.Printable(p.Audit.Problem) + "."))
	}
	return ui.Section("checked", "Result", problem, p.Audit.audit())
}

func (p *editorPage) openForm() g.Node {
	text := g.Text("\n" + p.Pasted) // browsers leave out a line break at the start
	return ui.Post(editorPath, h.EncType("multipart/form-data"), h.Class("panel"),
		ui.Field("Layout file", "file", h.Type("file"), h.Accept(".yaml,.yml,application/yaml,text/plain")), ui.Space,
		h.Label(g.Text("or the text of the file "), h.Textarea(h.Name("text"), h.Rows("12"), h.Cols("60"), g.Attr("spellcheck", "false"), text)),
		h.P(h.Button(h.Name("do"), h.Value("open"), g.Text("Open layout"))))
}

// fields make the inputs of one row of the form: their names begin with its letter and number.
type fields struct {
	row   string
	wrong wrong
}

func (f fields) text(label, name string, most int, value, example string) g.Node {
	return f.noted(name, ui.ValueField(label, f.row+name, most, value, g.If(example != "", h.Placeholder(example)), f.invalid(name)))
}

func (f fields) tick(label, name string, ticked bool) g.Node {
	return ui.Tick(label, f.row+name, ticked)
}

func (f fields) choice(label, name string, options ...g.Node) g.Node {
	return f.noted(name, h.Label(g.Text(label+" "), h.Select(h.Name(f.row+name), f.invalid(name), g.Group(options))))
}

// invalid says of an input that it is wrong, and where the reason is.
func (f fields) invalid(name string) g.Node {
	return g.If(f.wrong[f.row+name] != "", g.Group{h.Aria("invalid", "true"), h.Aria("describedby", "wrong-"+f.row+name)})
}

// noted is an input with what is wrong about it.
func (f fields) noted(name string, field g.Node) g.Node {
	why := f.wrong[f.row+name]
	if why == "" {
		return field
	}
	return h.Div(field, h.P(h.Class("wrong"), h.ID("wrong-"+f.row+name), ui.Mark("critical"), ui.Space, g.Text(why)))
}

func (f fields) cable(label, name, now string) g.Node {
	return f.choice(label, name, ui.TextOptions(backbone.CableNames(), now))
}

// doing is a button that sends the whole form with an action, and shows the part of the page that the action is about.
func doing(do, part, words, about string) g.Node {
	return h.Button(h.Name("do"), h.Value(do), h.FormAction(editorPath+"#"+part), g.Text(words), g.If(about != "", ui.Unseen(" "+about)))
}

func grid(body ...g.Node) g.Node { return h.Div(h.Class("grid"), g.Group(body)) }

func bar(buttons ...g.Node) g.Node { return h.P(h.Class("bar"), g.Group(buttons)) }

// form is the form to change the draft.
func (d *draft) form(v *view) g.Node {
	save := g.If(v.Act, h.Div(h.Class("bar"), ui.Field("Your name, to save", "by", ui.MaxLength(60), h.AutoComplete("name"), h.Value(v.Name)), h.Button(h.FormAction(keepPath), h.Name("do"), h.Value("keep"), g.Text("Save on the boat"))))
	mainButtons := bar(h.Button(h.Class("main"), h.Name("do"), h.Value("check"), g.Text("Check layout")), ui.Space, h.Button(h.Name("do"), h.Value("save"), g.Text("Download layout")))
	end, whole := len(d.Points), fields{"", d.wrong}
	var points, drops, coverage g.Group
	for i := range d.Points {
		points = append(points, d.point(i))
	}
	for i := range d.Drops {
		drops = append(drops, d.drop(i))
	}
	for i := range d.Coverage {
		coverage = append(coverage, d.coverage(i))
	}
	return ui.Post(editorPath, h.Class("draw"), mainButtons,
		h.Div(h.Class("panel grid"),
			ui.ValueField("Boat", "boat", 60, d.Boat),
			whole.text("Network, if the boat has several", "network", 60, d.Network, ""),
			whole.text("Resistance between NET-H and NET-L, power off", "resistance", 20, d.Resistance, "60 ohm")),
		save,
		h.H2(h.ID("points"), g.Text("Points from end to end")),
		points,
		h.P(doing(fmt.Sprint("add-point ", end), fmt.Sprint("point-", end), "Add a point at the end", "")),
		h.H2(h.ID("drops"), g.Text("Drop cables and devices")),
		ui.OrElse(drops, ui.Empty("No devices yet.")),
		bar(doing("add-drop 0", "drops", "Add a device", ""), ui.Space, doing("take-devices", "drops", "Add devices of the network", "")),
		h.H2(h.ID("coverage"), g.Text("Required data")),
		ui.OrElse(coverage, ui.Empty("None yet.")),
		bar(doing("add-quantity", "coverage", "Add a quantity", "")),
		mainButtons)
}

// pointName is the name of a point, or its number while it has no name.
func (d *draft) pointName(i int) string {
	return boat.Printable(cmp.Or(d.Points[i].Name, fmt.Sprintf("point %d", i+1)))
}

// point is one point of the backbone, with the cable to the next.
func (d *draft) point(i int) g.Node {
	q, f, name := &d.Points[i], fields{fmt.Sprintf("p%d.", i), d.wrong}, d.pointName(i)
	return h.FieldSet(h.Class("panel"), h.ID(fmt.Sprint("point-", i)), h.Legend(g.Text(name)),
		grid(
			f.text("Name", "name", 60, q.Name, ""),
			f.tick("Terminator", "terminator", q.Terminator),
			f.tick("Power feed", "power", q.Power),
			g.If(q.Power, q.supply(f))),
		h.Details(h.Class("more"), h.ID(fmt.Sprint("block-", i)), g.If(q.Reading != "" || q.Ports != "" || q.Isolates, g.Attr("open")),
			h.Summary(g.Text("Voltage reading, multi-port tee, isolating power tee")),
			grid(
				f.text("Voltage reading, power on", "reading", 20, q.Reading, "12.1 V"),
				f.text("Ports of the multi-port tee", "ports", 3, q.Ports, ""),
				f.tick("Isolating power tee", "isolates", q.Isolates))),
		bar(doing(fmt.Sprint("add-drop ", i), "drops", "Add a device here", ""), ui.Space, doing(fmt.Sprint("remove-point ", i), "points", "Remove point", name)),
		g.If(i+1 < len(d.Points), h.Div(h.Class("grid onward"),
			f.text("Cable to the next point, length", "length", 20, q.Length, "5 m or 16 ft"),
			f.cable("Cable to the next point, type", "cable", q.Cable),
			h.P(doing(fmt.Sprint("add-point ", i+1), fmt.Sprint("point-", i+1), "Insert a point here", "")))))
}

// supply is the power feed of the backbone at a point.
func (q *draftPoint) supply(f fields) g.Node {
	return g.Group{
		f.text("Network power", "voltage", 20, q.Voltage, "12.6 V"),
		f.text("Fuse", "fuse", 20, q.Fuse, "3 A"),
		f.text("Power cable, length", "leg", 20, q.LegLength, "2 m"),
		f.cable("Power cable, type", "legcable", q.LegCable),
	}
}

// drop is one device with its drop cable.
func (d *draft) drop(i int) g.Node {
	x, f := &d.Drops[i], fields{fmt.Sprintf("d%d.", i), d.wrong}
	name := boat.Printable(cmp.Or(x.Device, x.Model, fmt.Sprintf("device %d", i+1)))
	return h.FieldSet(h.Class("panel"), h.ID(fmt.Sprint("drop-", i)), h.Legend(g.Text(name)),
		grid(
			f.text("Device", "device", 60, x.Device, ""),
			f.choice("At", "at", d.pointOptions(x.At)),
			f.text("Drop cable, length", "length", 20, x.Length, "2 m or 6 ft"),
			f.cable("Drop cable, type", "cable", x.Cable),
			f.text("Load equivalency (50 mA each)", "load", 6, x.Load, ""),
			f.tick("Proposed", "planned", x.Planned)),
		ui.More(fmt.Sprint("who-", i), false, g.Text("How it is recognised and what it measures"), grid(
			f.text("Model as reported", "model", 60, x.Model, ""),
			f.choice("Role", "role", ui.AnyOption("any"), g.Map(boat.Roles(), func(r boat.Role) g.Node { return ui.Option("", string(r), string(r) == x.Role) })),
			f.text("NAME, 16 hex digits", "id", 16, x.Name, ""),
			f.choice("It measures the voltage of", "measures", ui.AnyOption("none"), ui.Option("drop", "its own drop cable", x.Measures == "drop"), d.supplyOptions(x.Measures)),
			f.text("Battery instance", "instance", 3, x.Instance, ""))),
		bar(doing(fmt.Sprint("remove-drop ", i), "drops", "Remove device", name)))
}

// pointOptions are the points, to choose where something is.
func (d *draft) pointOptions(now int) g.Node {
	var list g.Group
	for i := range d.Points {
		list = append(list, ui.Option(strconv.Itoa(i), d.pointName(i), i == now))
	}
	return list
}

// supplyOptions are the points with a power feed, to choose whose voltage a device measures.
func (d *draft) supplyOptions(now string) g.Node {
	var list g.Group
	for i, q := range d.Points {
		if key := strconv.Itoa(i); q.Power {
			list = append(list, ui.Option(key, "the power feed at "+boat.Printable(q.Name), key == now))
		}
	}
	return list
}

// coverage is a quantity that the boat must have.
func (d *draft) coverage(i int) g.Node {
	c, f := &d.Coverage[i], fields{fmt.Sprintf("c%d.", i), d.wrong}
	var quantities []string
	for _, q := range boat.Quantities() {
		quantities = append(quantities, q.Name)
	}
	return h.Div(h.Class("panel grid"),
		f.choice("Quantity", "quantity", ui.TextOptions(quantities, c.Quantity)),
		f.text("From a device above", "from", 60, c.From, ""),
		h.P(doing(fmt.Sprint("remove-quantity ", i), "coverage", "Remove quantity", cmp.Or(c.Quantity, quantities[0]))))
}
