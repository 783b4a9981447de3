package daemon

import (
	"os"
	"slices"
	"time"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/release"
	"muster/internal/web"
)

// loadKnowledge reads what people wrote down: release sheets and devices that no network shows.
func (d *Daemon) loadKnowledge(c *config.Config) (*release.Sheets, []boat.Manual, error) {
	var sheets *release.Sheets
	var err error
	if c.Sheets != "" {
		if sheets, err = release.LoadFS(os.DirFS(c.Sheets), c.Sheets); err != nil {
			return nil, nil, err
		}
		for _, p := range sheets.Problems {
			d.log.Warn().Str("code", string(p.Code)).Strs("places", p.Places).Msg(p.Text)
		}
	}
	if d.opt.Manual != nil || c.Notes == "" {
		return sheets, d.opt.Manual, nil
	}
	noted, err := config.LoadNotes(c.Notes)
	return sheets, noted, err
}

// sheetRules are the checks that need release sheets; none without any.
func (d *Daemon) sheetRules() []check.Rule {
	if d.sheets == nil {
		return nil
	}
	return release.Rules(d.sheets)
}

// entered are all devices entered by hand: those of the notes file, then those of the desk.
func (d *Daemon) entered() []boat.Manual { return slices.Concat(d.noted, d.manual) }

// tellReport tells who asked for it of a report and of what the traffic of late says.
func (d *Daemon) tellReport(r *boat.Report) {
	d.sheetsNow.Store(d.sheets)
	now := d.model.Now()
	c := d.gauge.Conditions(now)
	d.conditions.Store(&web.Conditions{At: r.TakenAt, Conditions: c})
	if d.opt.OnReport != nil {
		d.opt.OnReport(now, r, c)
	}
}

// heardConditions are those of the latest report. It is web.Options.Conditions.
func (d *Daemon) heardConditions() web.Conditions {
	if c := d.conditions.Load(); c != nil {
		return *c
	}
	return web.Conditions{}
}

// lookDue tells of a replay once for every second of its own time.
func (d *Daemon) lookDue(now event.Time) {
	if wait := d.nextLook.Sub(now); d.opt.OnReport == nil || now == 0 || wait > 0 && wait < 2*time.Second { // more: the stamps went back
		return
	}
	d.nextLook = now.Add(time.Second)
	d.model.Tick(now)
	d.tellReport(d.watch.Report())
}
