package daemon

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/config"
	outside "muster/internal/input"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/snapshot"
	"muster/internal/store"
)

// knowledge is what people wrote down: release sheets, devices that no network shows, plans of backbones, and the
// shop's job file.
type knowledge struct {
	sheets *release.Sheets // nil without any
	dir    string          // where they are
	noted  []boat.Manual
	same   []boat.Decision // which presences are one unit, and which are not
	plans  []*backbone.Plan
	adrift []string // of each plan, why it is not compared with a network; empty when it is
	job    *job.Job // what service records begin with; nil without any
}

// loadKnowledge reads what the config names, where the options put nothing in its place.
func loadKnowledge(ctx context.Context, opt *Options, c *config.Config, log zerolog.Logger) (k knowledge, err error) {
	for _, m := range c.Warnings {
		log.Warn().Msg(m.Error())
	}
	if c.Sheets != "" {
		if k.sheets, err = release.LoadFS(ctx, os.DirFS(c.Sheets), c.Sheets); err != nil {
			return k, err
		}
		k.dir = c.Sheets
		for _, m := range k.sheets.Warnings {
			log.Warn().Msg(m.Error())
		}
		for _, p := range k.sheets.Problems {
			log.Warn().Str("code", string(p.Code)).Strs("places", p.Places).Msg(p.Text)
		}
	}
	k.same = c.Decisions()
	layouts := opt.Layouts
	if layouts == nil {
		if layouts, err = LoadLayouts(ctx, c); err != nil {
			return k, err
		}
	}
	for _, l := range layouts {
		k.plans = append(k.plans, backbone.NewPlan(l))
	}
	k.adrift = make([]string, len(k.plans))
	if c.Job != "" {
		if k.job, err = job.LoadShared(ctx, c.Job); err != nil {
			return k, err
		}
	}
	if c.TimeZone != "" {
		if k.job == nil {
			k.job = new(job.Job)
		}
		k.job.TimeZone = c.TimeZone
	}
	if k.noted = opt.Manual; k.noted == nil && c.Notes != "" {
		k.noted, err = config.LoadNotes(ctx, c.Notes)
	}
	return k, err
}

// CheckFiles reads the other files that the config names, as a start does, and joins what is wrong with each.
func CheckFiles(ctx context.Context, c *config.Config) error {
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
	look(c.Sheets, func() error { _, err := release.LoadFS(ctx, os.DirFS(c.Sheets), c.Sheets); return err })
	look(c.Notes, func() error { _, err := config.LoadNotes(ctx, c.Notes); return err })
	look(c.Job, func() error { _, err := job.LoadShared(ctx, c.Job); return err })
	look(c.Baseline, func() error { _, err := readBaseline(ctx, c.Baseline); return err })
	return errors.Join(errs...)
}

// LoadLayouts reads the plans of backbones that the config names. Each must be that of another network.
func LoadLayouts(ctx context.Context, c *config.Config) ([]*backbone.Layout, error) {
	var layouts []*backbone.Layout
	var errs []error
	of := map[string]string{}
	for _, file := range c.Layout {
		l, err := backbone.Load(ctx, file)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		if other, taken := of[l.Network]; taken || l.Network == "" && len(c.Layout) > 1 {
			message := "it does not name its network: write network: and its name"
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

// CheckLayouts reads the layouts that the config names and compares them with the networks of its sources. backbone
// gives the NMEA 2000 network of a source, "" for one that has none; known is false when only reading the source
// shows it, and then no layout is wrong.
func CheckLayouts(ctx context.Context, c *config.Config, backbone func(source string) (id string, known bool)) error {
	layouts, err := LoadLayouts(ctx, c)
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
		errs = append(errs, l.Belongs(ctx, c.Layout[i], ids))
	}
	return errors.Join(errs...)
}

// rules are the checks that need what people wrote down.
func (k *knowledge) rules() []check.Rule {
	rules := backbone.Rules(k.plans)
	if k.sheets != nil {
		rules = append(rules, release.Rules(k.sheets)...)
	}
	return rules
}

// logPlans logs, once for each change, which layout is not compared with a network and why. It waits until networks
// had time to send.
func (k *knowledge) logPlans(r *report.Report, log zerolog.Logger) {
	if r.Window.To.Sub(r.Window.From) < time.Minute {
		return
	}
	for i, p := range k.plans {
		why := ""
		if _, err := p.Layout().On(r); err != nil {
			why = err.Error()
		}
		if why != "" && why != k.adrift[i] {
			log.Warn().Str("boat", p.Layout().Boat).Str("why", why).Msg("the layout is not compared with the network")
		}
		k.adrift[i] = why
	}
}

// maxBaseline bounds the file of a baseline in bytes, as the commands bound a snapshot.
const maxBaseline = 256 << 20

// baselineKey is that of the store.
const baselineKey = "snapshot"

// baseline is what the boat is compared with.
type baseline struct {
	*snapshot.Snapshot      // nil for none
	named              bool // by the config
}

// loadBaseline reads the snapshot that the config names, or takes the one that was set before.
func loadBaseline(ctx context.Context, c *config.Config, kept *store.Store) (baseline, error) {
	if c.Baseline != "" {
		s, err := readBaseline(ctx, c.Baseline)
		return baseline{s, true}, err
	}
	text := kept.Get(store.Baseline, baselineKey)
	if text == nil {
		return baseline{}, nil
	}
	s, err := snapshot.Decode(text)
	if err != nil {
		return baseline{}, fmt.Errorf("baseline set while running: %w", err)
	}
	return baseline{Snapshot: s}, nil
}

func readBaseline(ctx context.Context, file string) (*snapshot.Snapshot, error) {
	text, err := outside.File(ctx, file, maxBaseline)
	if err != nil {
		return nil, fmt.Errorf("baseline: %w", err)
	}
	s, err := snapshot.Decode(text)
	if err != nil {
		return nil, fmt.Errorf("baseline %s: %w", file, err)
	}
	return s, nil
}
