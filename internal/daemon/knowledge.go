package daemon

import (
	"crypto/tls"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"muster/internal/api"
	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/report"
)

// knowledge is what people wrote down: release sheets, devices that no network shows, plans of backbones, and the shop's job file.
type knowledge struct {
	sheets *release.Sheets // nil without any
	noted  []boat.Manual
	plans  []*backbone.Plan
	adrift []string // of each plan, why it is not held against a network; empty when it is
	job    *job.Job // what service records begin with; nil without any
}

// loadKnowledge reads what the config names.
func (d *Daemon) loadKnowledge(c *config.Config) (k knowledge, err error) {
	if c.Sheets != "" {
		if k.sheets, err = release.LoadFS(os.DirFS(c.Sheets), c.Sheets); err != nil {
			return k, err
		}
		for _, p := range k.sheets.Problems {
			d.log.Warn().Str("code", string(p.Code)).Strs("places", p.Places).Msg(p.Text)
		}
	}
	layouts := d.opt.Layouts
	if layouts == nil {
		if layouts, err = LoadLayouts(c); err != nil {
			return k, err
		}
	}
	for _, l := range layouts {
		k.plans = append(k.plans, backbone.NewPlan(l))
	}
	k.adrift = make([]string, len(k.plans))
	if c.Job != "" {
		if k.job, err = job.LoadShared(c.Job); err != nil {
			return k, err
		}
	}
	if k.noted = d.opt.Manual; k.noted == nil && c.Notes != "" {
		k.noted, err = config.LoadNotes(c.Notes)
	}
	return k, err
}

// CheckFiles reads the other files that the config names, as a start does, and joins what is wrong with each.
func CheckFiles(c *config.Config) error {
	var errs []error
	look := func(file string, read func() error) {
		if file != "" {
			errs = append(errs, read())
		}
	}
	look(c.TLS.Cert, func() error {
		if _, err := tls.LoadX509KeyPair(c.TLS.Cert, c.TLS.Key); err != nil {
			return fmt.Errorf("tls: %w", err)
		}
		return nil
	})
	look(c.Sheets, func() error { _, err := release.LoadFS(os.DirFS(c.Sheets), c.Sheets); return err })
	look(c.Notes, func() error { _, err := config.LoadNotes(c.Notes); return err })
	look(c.Job, func() error { _, err := job.LoadShared(c.Job); return err })
	look(c.Baseline, func() error { _, err := readBaseline(c.Baseline); return err })
	return errors.Join(errs...)
}

// LoadLayouts reads the plans of backbones that the config names. Each must be that of another network.
func LoadLayouts(c *config.Config) ([]*backbone.Layout, error) {
	var layouts []*backbone.Layout
	var errs []error
	of := map[string]string{}
	for _, file := range c.Layout {
		l, err := backbone.Load(file)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		if other, taken := of[l.Network]; taken || l.Network == "" && len(c.Layout) > 1 {
			message := "it does not say which of the networks it is the plan of: write network: and its name"
			if taken && l.Network != "" {
				message = fmt.Sprintf("%s is the plan of network %q too: write the other one's name", other, l.Network)
			}
			errs = append(errs, fmt.Errorf("%s: %s", file, message))
		}
		of[l.Network] = file
		layouts = append(layouts, l)
	}
	return layouts, errors.Join(errs...)
}

// CheckLayouts reads the plans that the config names and holds them against the networks of its sources. backbone gives the NMEA 2000
// network of a source, "" for one that has none; known is false when only reading the source tells, and then no plan is wrong.
func CheckLayouts(c *config.Config, backbone func(source string) (id string, known bool)) error {
	layouts, err := LoadLayouts(c)
	if err != nil {
		return err
	}
	var ids []string
	for i, s := range c.Sources {
		id, known := backbone(s.Source)
		switch {
		case !known:
			return nil
		case id == "":
			continue
		case s.ID != "":
			id = s.ID
		case slices.Contains(ids, id):
			id = fmt.Sprintf("%s-%d", id, i+1) // as networkID has it
		}
		ids = append(ids, id)
	}
	var errs []error
	for i, l := range layouts {
		errs = append(errs, l.Belongs(c.Layout[i], ids))
	}
	return errors.Join(errs...)
}

// learn takes what people wrote down in the place of what was known. It belongs to the model's goroutine.
func (d *Daemon) learn(k knowledge) {
	d.known = k
	d.plansNow.Store(&k.plans)
	d.job.Store(k.job)
	d.model.SetManual(d.entered())
}

// plans are those in force. It is api.Options.Plans.
func (d *Daemon) plans() []*backbone.Plan {
	if p := d.plansNow.Load(); p != nil {
		return *p
	}
	return nil
}

// lookAtPlans says in the log, once for each change, which plan is not held against a network and why. It waits until networks had time
// to be heard.
func (d *Daemon) lookAtPlans(r *report.Report) {
	if r.Window.To.Sub(r.Window.From) < time.Minute {
		return
	}
	for i, p := range d.known.plans {
		why := ""
		if _, err := p.Layout().On(r); err != nil {
			why = err.Error()
		}
		if why != "" && why != d.known.adrift[i] {
			d.log.Warn().Str("boat", p.Layout().Boat).Str("why", why).Msg("the layout is not held against the network")
		}
		d.known.adrift[i] = why
	}
}

// rules are the checks that need what people wrote down.
func (k *knowledge) rules() []check.Rule {
	rules := backbone.Rules(k.plans)
	if k.sheets != nil {
		rules = append(rules, release.Rules(k.sheets)...)
	}
	return rules
}

// entered are all devices entered by hand: those of the notes file, then those of the desk.
func (d *Daemon) entered() []boat.Manual { return slices.Concat(d.known.noted, d.manual) }

// tellReport tells who asked for it of a report and of what the traffic of late says.
func (d *Daemon) tellReport(r *report.Report) {
	d.sheetsNow.Store(d.known.sheets)
	now := d.model.Now()
	c := d.gauge.Conditions(now)
	d.conditions.Store(&api.Conditions{At: r.TakenAt, Conditions: c})
	if d.opt.OnReport != nil {
		d.opt.OnReport(now, r, c)
	}
}

// heardConditions are those of the latest report. It is api.Options.Conditions.
func (d *Daemon) heardConditions() api.Conditions {
	if c := d.conditions.Load(); c != nil {
		return *c
	}
	return api.Conditions{}
}

// dueToLook reports whether the second after the look before is over, for a replay, which is told of once for every second of its own time.
func (d *Daemon) dueToLook(now event.Time) bool {
	wait := d.nextLook.Sub(now)
	return now != 0 && (wait <= 0 || wait >= 2*time.Second) // more: the stamps went back
}

// look tells of a replay.
func (d *Daemon) look(now event.Time) {
	d.nextLook = now.Add(time.Second)
	d.model.Tick(now)
	d.tellReport(d.made(d.watch.State()))
}
