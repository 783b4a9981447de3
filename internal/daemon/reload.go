package daemon

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"

	sd "github.com/coreos/go-systemd/v22/daemon"

	"muster/internal/api"
	"muster/internal/config"
)

// Reload takes another config while running. What is known of the boat stays; a source that is no longer named ends, and its network is
// forgotten. It returns an error, and changes nothing, when the config cannot be used. Keys that need a restart keep their present values:
// they are returned, and named in the log.
func (d *Daemon) Reload(ctx context.Context, c config.Config) (afterRestart []string, err error) {
	if d.store == nil {
		return nil, errors.New("reload: not in a replay")
	}
	d.reloading.Lock()
	defer d.reloading.Unlock()
	defer func() {
		if err != nil {
			err = fmt.Errorf("reload: %w", err)
		}
	}()
	base, err := d.loadBaseline(c.Baseline)
	if err != nil {
		return nil, err
	}
	known, err := d.loadKnowledge(&c)
	if err != nil {
		return nil, err
	}
	up, err := d.nextUplink(&c)
	if err != nil {
		return nil, err
	}
	now := &d.opt.Config // only a reload changes it
	late := needRestart(now, &c)
	if d.opt.SetLog == nil && now.Log != c.Log {
		late = append(late, "log")
	}
	renew := func() {}
	if d.web != nil {
		if c.Token == "" && now.Token != "" && d.web.NeedsToken() {
			late = append(late, "token_file (other machines can reach "+now.Listen+")")
			c.TokenFile, c.Token, c.ReadToken = now.TokenFile, now.Token, now.ReadToken
		}
		if renew, err = d.web.Renew(c.Token, c.ReadToken, c.TLS.Cert, c.TLS.Key); err != nil {
			return nil, err
		}
	}
	sources, err := d.changeSources(c.Sources)
	if err != nil {
		return nil, err
	}
	late = append(late, sources.late...)
	taken := false
	err = d.do(ctx, func() error {
		taken = true
		renew()
		if d.opt.SetLog != nil {
			d.opt.SetLog(c.Log)
			now.Log = c.Log
		}
		d.takeSources(sources)
		d.watch.Configure(c.Checks, c.Alerts)
		d.checksNow.Store(&c.Checks)
		d.watch.Book().Accept(c.Accepted)
		now.Baseline = c.Baseline
		d.learn(known)
		d.setRules(base)
		if d.running != nil {
			if !reflect.DeepEqual(now.Tell, c.Tell) {
				d.startTellers(d.running, c.Tell)
			}
			d.startUplink(d.running, up)
		}
		now.GNSSTime, now.Fleet, now.Accepted = c.GNSSTime, c.Fleet, c.Accepted
		now.TokenFile, now.Token, now.ReadToken = c.TokenFile, c.Token, c.ReadToken
		now.Sources = nil
		for _, in := range sources.list {
			now.Sources = append(now.Sources, in.config)
		}
		now.Checks, now.Alerts, now.Tell, now.Sheets, now.Notes, now.Layout, now.Job = c.Checks, c.Alerts, c.Tell, c.Sheets, c.Notes, c.Layout, c.Job
		d.reloads.Add(1)
		return nil
	})
	if !taken {
		return nil, errors.Join(err, closeInputs(sources.fresh))
	}
	if cerr := closeInputs(sources.gone); cerr != nil {
		d.log.Warn().Err(cerr).Msg("a source that the config no longer names")
	}
	if len(late) > 0 {
		d.log.Warn().Strs("keys", late).Msg("config reloaded; these keys take effect after a restart")
	} else {
		d.log.Info().Msg("config reloaded")
	}
	return late, err
}

// SetLoader says how the config is read again. Call it before Run.
func (d *Daemon) SetLoader(load func() (config.Config, error)) { d.load = load }

// ReloadConfig implements api.Desk. What is wrong is logged and counted too. While the daemon starts it waits until that has been done.
func (d *Daemon) ReloadConfig(ctx context.Context) (api.Reloaded, error) {
	if d.load == nil {
		return api.Reloaded{}, errors.New("reload: there is no config to read again: start muster run")
	}
	select {
	case <-d.begun:
	case <-d.done:
		return api.Reloaded{}, errStopped
	case <-ctx.Done():
		return api.Reloaded{}, ctx.Err()
	}
	// Type=notify-reload of systemd 253 wants the time; earlier ones, which know notify alone, pass over it.
	notify(sd.SdNotifyReloading + "\n" + sd.SdNotifyMonotonicUsec())
	c, err := d.load()
	var late []string
	if err == nil {
		late, err = d.Reload(ctx, c)
	}
	status := "config reloaded"
	switch {
	case err != nil:
		d.ReloadFailed(err)
		status = "config not reloaded: " + err.Error()
	case len(late) > 0:
		status += "; after a restart: " + strings.Join(late, ", ")
	}
	notify(sd.SdNotifyReady + "\nSTATUS=" + strings.Join(strings.Fields(status), " "))
	return api.Reloaded{AfterRestart: late}, err
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
		{"boat", a.Boat, b.Boat}, {"listen", a.Listen, b.Listen}, {"tls", a.TLS.Cert == "", b.TLS.Cert == ""},
		{"maker_file", a.Makers, b.Makers}, {"state_dir", a.StateDir, b.StateDir}, {"store", a.Store, b.Store},
	} {
		if !reflect.DeepEqual(k.a, k.b) {
			keys = append(keys, k.key)
		}
	}
	return keys
}

// sourceChange is what a reload does to the sources.
type sourceChange struct {
	list        []*input // all from now on
	fresh, gone []*input
	late        []string // what takes effect after a restart
}

// changeSources opens what is new in the list; a source that stays is read on. On an error nothing is left open.
func (d *Daemon) changeSources(list []config.Source) (_ *sourceChange, err error) {
	present := d.inputs()
	c := &sourceChange{list: present}
	if slices.EqualFunc(present, list, func(in *input, s config.Source) bool { return in.config == s }) {
		return c, nil
	}
	if len(list) == 0 {
		return nil, errNoSource
	}
	if !d.live {
		c.late = []string{"sources (a capture is read from its beginning)"}
		return c, nil
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, closeInputs(c.fresh))
		}
	}()
	c.list = nil
	stays := func(same func(*input) bool) bool {
		i := slices.IndexFunc(present, func(in *input) bool { return same(in) && !slices.Contains(c.list, in) })
		if i >= 0 {
			c.list = append(c.list, present[i])
		}
		return i >= 0
	}
	var changed []config.Source
	for _, s := range list {
		if !stays(func(in *input) bool { return in.config == s }) {
			changed = append(changed, s)
		}
	}
	for _, s := range changed {
		// The device is in use: with another id it is another network, and to ask it is opened in another way.
		if stays(func(in *input) bool { return in.spec == s.Source }) {
			c.late = append(c.late, "sources (id or ask of "+s.Source+")")
			continue
		}
		in, err := d.openInput(s, d.opt.Open)
		if err != nil {
			return nil, err
		}
		c.list, c.fresh = append(c.list, in), append(c.fresh, in)
		if in.recorded {
			return nil, fmt.Errorf("source %s: a capture cannot join what is heard live: read it with muster audit", s.Source)
		}
	}
	for _, in := range present {
		if !slices.Contains(c.list, in) {
			c.gone = append(c.gone, in)
		}
	}
	return c, nil
}

// takeSources begins and ends sources. Runs on the model's goroutine; who asked for it closes those that are gone.
func (d *Daemon) takeSources(c *sourceChange) {
	d.sources.Store(&c.list)
	d.model.SetOwn(d.ownNames())
	for _, in := range c.gone {
		in.gone = true
		for _, n := range in.numbers {
			d.model.Drop(n)
		}
		away := d.keeping.away[:0:0]
		for _, k := range d.keeping.away {
			if !slices.Contains(in.ids, k.Network) {
				away = append(away, k)
			}
		}
		d.keeping.away = away
		d.log.Info().Str("source", in.name).Msg("source ended: the config no longer names it")
	}
	for _, in := range c.fresh {
		in.joined = true
		d.log.Info().Str("source", in.name).Msg("source begun")
		if d.running != nil {
			d.startInput(in)
		}
	}
}

func closeInputs(list []*input) error {
	var errs []error
	for _, in := range list {
		errs = append(errs, in.close())
	}
	return errors.Join(errs...)
}
