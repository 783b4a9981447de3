package ui

import (
	"cmp"
	"net/url"
	"slices"
	"strconv"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/render"
	"muster/internal/report"
)

// UnitChoice is which units a table shows, and in which order, as its address has it. The zero value shows all by role.
type UnitChoice struct {
	Search, State, Role, Manufacturer string // "" for any
	Behind, Alerts                    bool   // only those with older software, or with open alerts
	Sort                              string // a column, after a minus the other way round
}

// ReadUnitChoice reads the choice from the query of an address.
func ReadUnitChoice(q url.Values) UnitChoice {
	return UnitChoice{Search: strings.TrimSpace(q.Get("q")),
		State: q.Get("state"), Role: q.Get("role"), Manufacturer: q.Get("manufacturer"),
		Behind: q.Get("behind") != "", Alerts: q.Get("alerts") != "", Sort: q.Get("sort")}
}

// address is where the page has the choice with another order.
func (c UnitChoice) address(sort string) string {
	q := url.Values{}
	for name, value := range map[string]string{"q": c.Search, "state": c.State, "role": c.Role, "manufacturer": c.Manufacturer, "sort": sort} {
		if value != "" {
			q.Set(name, value)
		}
	}
	for name, on := range map[string]bool{"behind": c.Behind, "alerts": c.Alerts} {
		if on {
			q.Set(name, "yes")
		}
	}
	return "/?" + q.Encode() + "#units"
}

// UnitTable is the units of a boat, one row a unit.
type UnitTable struct {
	Chosen UnitChoice
	Rows   []unitRow // that the choice leaves, in its order

	all           int
	roles         []boat.Role // of all, in their order
	states        []boat.DeviceState
	manufacturers []string
}

// unitRow is a unit in the table.
type unitRow struct {
	*report.Device
	Role  boat.Role
	Newer string         // the version of its release sheet, when it runs an older one
	Open  int            // its alerts that have not cleared
	Worst check.Severity // of them

	rank int // of its role
}

// newUnitTable arranges the units of a report.
func newUnitTable(r *report.Report, alerts []Alert, chosen UnitChoice) UnitTable {
	open, worst, newer := map[string]int{}, map[string]check.Severity{}, map[string]string{}
	for _, a := range alerts {
		if a.State == alert.StatusCleared || a.Accepted != "" {
			continue
		}
		for _, l := range a.About {
			open[l.ID]++
			if a.Severity.Rank() > worst[l.ID].Rank() {
				worst[l.ID] = a.Severity
			}
			if current, ok := a.Evidence["current"].(string); ok && a.Check == "software-behind" {
				newer[l.ID] = current
			}
		}
	}
	t := UnitTable{Chosen: chosen}
	for rank, group := range render.Groups(r) {
		t.roles = append(t.roles, group.Role)
		for _, d := range group.Devices {
			t.all++
			t.states, t.manufacturers = append(t.states, d.State), append(t.manufacturers, render.DeviceManufacturer(d))
			row := unitRow{Device: d, Role: group.Role, Newer: newer[d.ID], Open: open[d.ID], Worst: worst[d.ID], rank: rank}
			if chosen.leaves(&row) {
				t.Rows = append(t.Rows, row)
			}
		}
	}
	slices.Sort(t.manufacturers)
	t.manufacturers = slices.DeleteFunc(slices.Compact(t.manufacturers), func(s string) bool { return s == "" })
	slices.Sort(t.states)
	t.states = slices.Compact(t.states)
	t.sort()
	return t
}

// leaves reports whether the choice shows a unit.
func (c *UnitChoice) leaves(d *unitRow) bool {
	for word := range strings.FieldsSeq(strings.ToLower(c.Search)) {
		if !strings.Contains(strings.ToLower(d.text()), word) {
			return false
		}
	}
	return (c.State == "" || c.State == string(d.State)) && (c.Role == "" || c.Role == string(d.Role)) &&
		(c.Manufacturer == "" || c.Manufacturer == render.DeviceManufacturer(d.Device)) && (!c.Behind || d.Newer != "") && (!c.Alerts || d.Open > 0)
}

// text is all of a unit that can be searched.
func (d *unitRow) text() string {
	return strings.Join([]string{render.DeviceTitle(d.Device), d.Manufacturer(), d.ID, d.serial(), d.software(), d.place(), d.address(), d.Network, string(d.Role)}, " ")
}

// unitColumn is a column that the table can be sorted by.
type unitColumn struct {
	key, title string
	number     bool
	compare    func(a, b *unitRow) int
}

func byText(text func(*unitRow) string) func(a, b *unitRow) int {
	return func(a, b *unitRow) int { return cmp.Compare(strings.ToLower(text(a)), strings.ToLower(text(b))) }
}

var unitColumns = []unitColumn{
	{"state", "State", false, byText(func(d *unitRow) string { return render.KeyWords(string(d.State)) })},
	{"role", "Role", false, func(a, b *unitRow) int { return cmp.Compare(a.rank, b.rank) }},
	{"unit", "Unit", false, byText(func(d *unitRow) string { return render.DeviceTitle(d.Device) })},
	{"manufacturer", "Manufacturer", false, byText(func(d *unitRow) string { return d.Manufacturer() })},
	{"serial", "Serial", false, byText((*unitRow).serial)},
	{"software", "Software", false, byText((*unitRow).software)},
	{"place", "Place", false, byText((*unitRow).place)},
	{"address", "Address", true, func(a, b *unitRow) int { return cmp.Compare(a.number(), b.number()) }},
	{"load", "Load", true, func(a, b *unitRow) int { return cmp.Compare(a.Load, b.Load) }},
	{"alerts", "Alerts", true, func(a, b *unitRow) int {
		return cmp.Or(cmp.Compare(a.Worst.Rank(), b.Worst.Rank()), cmp.Compare(a.Open, b.Open))
	}},
	{"heard", "Last heard", true, func(a, b *unitRow) int { return cmp.Compare(a.LastSeen, b.LastSeen) }},
}

// sort puts the rows into the order that was chosen; equal ones stay by role.
func (t *UnitTable) sort() {
	key, down := strings.CutPrefix(t.Chosen.Sort, "-")
	for _, c := range unitColumns {
		if c.key == key {
			slices.SortStableFunc(t.Rows, func(a, b unitRow) int {
				if down {
					return c.compare(&b, &a)
				}
				return c.compare(&a, &b)
			})
		}
	}
}

func (t *UnitTable) node(v *Showing) g.Node {
	if t.all == 0 {
		return Section("units", "Units", Empty("No device yet."))
	}
	count := strconv.Itoa(t.all)
	if len(t.Rows) < t.all {
		count = strconv.Itoa(len(t.Rows)) + " of " + count
	}
	return Section("units", "Units",
		sprite(t.roles),
		g.Iff(!v.Printed, func() g.Node { return t.form(count) }),
		h.Table(h.Class("units"),
			h.THead(h.Tr(g.Map(unitColumns, func(c unitColumn) g.Node { return c.head(v, t.Chosen) }))),
			h.TBody(g.Map(t.Rows, func(d unitRow) g.Node { return d.node(v) }))),
		g.If(len(t.Rows) == 0, Empty("No unit is like this.")))
}

// form is what the reader chooses by; it also works without the script, which sends it at once.
func (t *UnitTable) form(count string) g.Node {
	c := &t.Chosen
	states := g.Map(t.states, func(s boat.DeviceState) g.Node {
		return Option(string(s), render.KeyWords(string(s)), string(s) == c.State)
	})
	roles := g.Map(t.roles, func(role boat.Role) g.Node { return Option("", string(role), string(role) == c.Role) })
	return h.Form(h.Method("get"), h.Action("/#units"), h.Class("choose"), g.Attr("data-choose"),
		h.Label(Unseen("Search units"), h.Input(h.Type("search"), h.Name("q"), h.Value(c.Search), h.Placeholder("Search units"), MaxLength(80))),
		Choice("State", "state", AnyOption("any"), states),
		Choice("Role", "role", AnyOption("any"), roles),
		Choice("Manufacturer", "manufacturer", AnyOption("any"), TextOptions(t.manufacturers, c.Manufacturer)),
		Tick("Behind", "behind", c.Behind, h.Value("yes")),
		Tick("With alerts", "alerts", c.Alerts, h.Value("yes")),
		g.If(c.Sort != "", Hidden("sort", c.Sort)),
		h.NoScript(Button("Show")),
		h.Span(h.Class("count"), h.Role("status"), g.Text(count)))
}

// head is the head of a column; it sorts the table.
func (c *unitColumn) head(v *Showing, chosen UnitChoice) g.Node {
	class := h.Class("c-" + c.key)
	if v.Printed {
		return h.Th(class, h.Scope("col"), g.Text(c.title))
	}
	next, sorted := c.key, ""
	switch chosen.Sort {
	case c.key:
		next, sorted = "-"+c.key, "ascending"
	case "-" + c.key:
		next, sorted = "", "descending"
	}
	return h.Th(class, h.Scope("col"), g.If(sorted != "", h.Aria("sort", sorted)),
		h.A(h.Href(chosen.address(next)), g.Attr("data-stay"), g.Text(c.title)))
}

func (d *unitRow) node(v *Showing) g.Node {
	alerts := boat.Counted(d.Open, "alert", "alerts")
	if d.Worst == check.Info {
		alerts = boat.Counted(d.Open, "info alert", "info alerts")
	}
	return h.Tr(h.ID("device-"+d.ID), h.Class(string(d.State)),
		h.Td(h.Class("c-state"), State(d.State)),
		h.Td(h.Class("c-role"), icon(d.Role), Space, g.Text(string(d.Role))),
		h.Th(h.Class("c-unit"), h.Scope("row"), d.link(v), g.If(d.Own, Small("this program"))),
		h.Td(h.Class("c-manufacturer"), g.Text(render.DeviceManufacturer(d.Device))),
		h.Td(h.Class("c-serial"), Printable(d.serial())),
		h.Td(h.Class("c-software"), g.If(d.software() != "", h.B(Printable(d.software()))), g.If(d.software() == "", g.Text("not reported")),
			g.Iff(d.LastKnown != nil && d.LastKnown.Product.Software != "", func() g.Node {
				return Small(boat.Printable("was " + d.LastKnown.Product.Software))
			}),
			g.If(d.Newer != "", g.Group{Space, Flag("→ " + boat.Printable(d.Newer))})),
		h.Td(h.Class("c-place"), Printable(d.place())),
		h.Td(h.Class("c-address"), g.Text(d.address())),
		h.Td(h.Class("c-load"), g.Text(render.BusShare(d.Device))),
		h.Td(h.Class("c-alerts"), g.If(d.Open > 0, h.Span(h.Class("state "+string(d.Worst)), Mark(d.Worst), Space, g.Text(strconv.Itoa(d.Open)),
			Unseen(" "+strings.TrimLeft(alerts, "0123456789 "))))),
		h.Td(h.Class("c-heard"), v.Ago(d.LastSeen)))
}

// link links to the unit's own page; on paper it is its title.
func (d *unitRow) link(v *Showing) g.Node {
	title := g.Text(render.DeviceTitle(d.Device))
	if v.Printed {
		return h.B(title)
	}
	return DeviceLink(d.ID, title)
}

func (d *unitRow) serial() string {
	if d.Product == nil {
		return ""
	}
	return d.Product.Serial
}

func (d *unitRow) software() string {
	if d.Product == nil {
		return ""
	}
	return d.Product.Software
}

// place is where the unit is, as its installer wrote it, and its instances.
func (d *unitRow) place() string {
	var words []string
	if in := d.Installation; in != nil {
		words = append(words, in.Description1, in.Description2)
	}
	if instances := render.DeviceInstances(d.Device); instances != "" {
		words = append(words, "instance "+instances)
	}
	return strings.Join(slices.DeleteFunc(words, func(s string) bool { return s == "" }), ", ")
}

// number is the unit's address, -1 for none.
func (d *unitRow) number() int {
	if d.Address == nil {
		return -1
	}
	return int(*d.Address)
}

// address is the unit's address, or the letters of a talker.
func (d *unitRow) address() string {
	switch {
	case d.Talker != "":
		return boat.Printable(d.Talker)
	case d.Address != nil:
		return strconv.Itoa(int(*d.Address))
	}
	return "none"
}
