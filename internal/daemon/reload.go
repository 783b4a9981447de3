package daemon

import (
	"context"
	"errors"
	"fmt"
	"reflect"

	"muster/internal/config"
)

// Reload takes another config while running. What is known of the boat stays. It returns an error, and changes nothing, when the
// config cannot be used; keys that need a restart are named in the log and keep their present values.
func (d *Daemon) Reload(ctx context.Context, c config.Config) error {
	if d.store == nil {
		return errors.New("reload: not in a replay")
	}
	base, err := d.loadBaseline(c.Baseline)
	if err != nil {
		return fmt.Errorf("reload: %w", err)
	}
	known, err := d.loadKnowledge(&c)
	if err != nil {
		return fmt.Errorf("reload: %w", err)
	}
	up, err := d.nextUplink(&c)
	if err != nil {
		return fmt.Errorf("reload: %w", err)
	}
	return d.do(ctx, func() error {
		now := &d.opt.Config
		if late := needRestart(now, &c); len(late) > 0 {
			d.log.Warn().Strs("keys", late).Msg("these keys take effect after a restart")
		}
		d.watch.Configure(c.Checks, c.Alerts)
		d.learn(known)
		d.setRules(base)
		if !reflect.DeepEqual(now.Tell, c.Tell) && d.running != nil {
			d.startTellers(d.running, c.Tell)
		}
		if d.running != nil {
			d.startUplink(d.running, up)
		}
		now.GNSSTime, now.Fleet = c.GNSSTime, c.Fleet
		now.Checks, now.Alerts, now.Tell, now.Baseline, now.Sheets, now.Notes, now.Layout, now.Job = c.Checks, c.Alerts, c.Tell, c.Baseline, c.Sheets, c.Notes, c.Layout, c.Job
		d.reloads.Add(1)
		d.log.Info().Msg("config reloaded")
		return nil
	})
}

// SetLoader says how the config is read again. Call it before Run.
func (d *Daemon) SetLoader(load func() (config.Config, error)) { d.load = load }

// ReloadConfig implements web.Desk. What is wrong is logged and counted too.
func (d *Daemon) ReloadConfig(ctx context.Context) error {
	if d.load == nil {
		return errors.New("reload: there is no config to read again: start muster run")
	}
	c, err := d.load()
	if err == nil {
		err = d.Reload(ctx, c)
	}
	if err != nil {
		d.ReloadFailed(err)
	}
	return err
}

// ReloadFailed notes that a config could not be used, for the log and the metrics.
func (d *Daemon) ReloadFailed(err error) {
	d.reloadFailures.Add(1)
	d.log.Error().Err(err).Msg("config not reloaded; the present one stays in force")
}

// needRestart lists the keys that differ and cannot be changed while running.
func needRestart(a, b *config.Config) []string {
	var keys []string
	for _, k := range []struct {
		key  string
		a, b any
	}{
		{"boat", a.Boat, b.Boat}, {"sources", a.Sources, b.Sources}, {"listen", a.Listen, b.Listen}, {"token_file", [2]string{a.Token, a.ReadToken}, [2]string{b.Token, b.ReadToken}},
		{"tls", a.TLS, b.TLS}, {"maker_file", a.Makers, b.Makers}, {"state_dir", a.StateDir, b.StateDir}, {"store", a.Store, b.Store},
		{"log", a.Log, b.Log},
	} {
		if !reflect.DeepEqual(k.a, k.b) {
			keys = append(keys, k.key)
		}
	}
	return keys
}
