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

func (d *Daemon) tellReport(r *boat.Report) {
	if d.opt.OnReport != nil {
		now := d.model.Now()
		d.opt.OnReport(now, r, d.gauge.Conditions(now))
	}
}

// lookDue tells of a replay once for every second of its own time.
func (d *Daemon) lookDue(now event.Time) {
	if d.opt.OnReport == nil || now == 0 || now < d.nextLook {
		return
	}
	d.nextLook = now.Add(time.Second)
	d.model.Tick(now)
	d.tellReport(d.watch.Report())
}
