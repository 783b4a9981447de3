package daemon

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"sync"
	"sync/atomic"

	sd "github.com/coreos/go-systemd/v22/daemon"

	"muster/internal/api"
	"muster/internal/config"
)

// reloading is how configs are reloaded.
type reloading struct {
	mu           sync.Mutex // one Reload at a time; it guards Options.Config too
	done, failed atomic.Uint64
}

// prepared is a config that can be taken, with what was made ready for it.
type prepared struct {
	config  config.Config // as it will be in force
	base    baseline
	known   knowledge
	uplink  *uplink // nil for none
	renew   func()  // of the server's tokens and certificate
	sources *sourceChange
	late    []string // keys that need a restart
}

// Reload takes another config while running. What is known of the boat stays; a source that is no longer named ends,
// and its network is forgotten. It returns an error, and changes nothing, when the config cannot be used. Keys that
// need a restart keep their present values: they are returned, and named in the log.
func (d *Daemon) Reload(ctx context.Context, c config.Config) (afterRestart []string, err error) {
	if d.keeper == nil {
		return nil, errors.New("reload: not in a replay")
	}
	d.reload.mu.Lock()
	defer d.reload.mu.Unlock()
	defer func() {
		if err != nil {
			err = fmt.Errorf("reload: %w", err)
		}
	}()
	next, err := d.prepare(ctx, c)
	if err != nil {
		return nil, err
	}
	taken := false
	err = d.model.do(ctx, func() error {
		taken = true
		d.take(next)
		return nil
	})
	if !taken {
		return nil, errors.Join(err, closeInputs(next.sources.fresh))
	}
	if cerr := closeInputs(next.sources.gone); cerr != nil {
		d.log.Warn().Err(cerr).Msg("a source that the config no longer names")
	}
	if len(next.late) > 0 {
		d.log.Warn().Strs("keys", next.late).Msg("config reloaded; these keys take effect after a restart")
	} else {
		d.log.Info().Msg("config reloaded")
	}
	return next.late, err
}

// prepare makes ready what a config needs. On an error nothing is left open.
func (d *Daemon) prepare(ctx context.Context, c config.Config) (next *prepared, err error) {
	now := &d.opt.Config
	next = &prepared{renew: func() {}, late: needRestart(now, &c)}
	if next.base, err = loadBaseline(ctx, &c, d.keeper.store); err != nil {
		return nil, err
	}
	if next.known, err = loadKnowledge(ctx, &d.opt, &c, d.log); err != nil {
		return nil, err
	}
	if next.uplink, err = d.notifiers.nextUplink(&c); err != nil {
		return nil, err
	}
	if d.opt.SetLog == nil && now.Log != c.Log {
		next.late = append(next.late, "log")
		c.Log = now.Log
	}
	if d.web != nil {
		if c.Token == "" && now.Token != "" && d.web.NeedsToken() {
			next.late = append(next.late, "token_file (other computers can reach "+now.Listen+")")
			c.TokenFile, c.Token, c.ReadToken = now.TokenFile, now.Token, now.ReadToken
		}
		if next.renew, err = d.web.Renew(c.Token, c.ReadToken, c.TLS.Cert, c.TLS.Key); err != nil {
			return nil, err
		}
	}
	if next.sources, err = d.sources.change(c.Sources); err != nil {
		return nil, err
	}
	next.late = append(next.late, next.sources.late...)
	c.Sources = nil
	for _, in := range next.sources.list {
		c.Sources = append(c.Sources, in.config)
	}
	c.Boat, c.Listen, c.TLS, c.Manufacturers = now.Boat, now.Listen, now.TLS, now.Manufacturers // as needRestart has it
	c.StateDir, c.Store = now.StateDir, now.Store
	next.config = c
	return next, nil
}

// take puts a config in force. Runs on the model's goroutine, while Reload waits.
func (d *Daemon) take(next *prepared) {
	c, m := &next.config, d.model
	next.renew()
	if d.opt.SetLog != nil {
		d.opt.SetLog(c.Log)
	}
	m.takeSources(next.sources)
	m.watch.Configure(c.Checks, c.Alerts)
	m.watch.Book().Accept(c.Accepted)
	m.checks, m.time.takeGNSS = &c.Checks, c.GNSSTime
	m.learn(next.known, next.base)
	d.notifiers.change(c.Notify, next.uplink)
	d.opt.Config = *c
	d.reload.done.Add(1)
}

// ReloadConfig takes the config as Options.Load reads it. What is wrong is logged and counted too. While the daemon
// starts it waits until that has been done.
func (d *Daemon) ReloadConfig(ctx context.Context) (api.Reloaded, error) {
	if d.opt.Load == nil {
		return api.Reloaded{}, errors.New("reload: there is no config to read again: start muster run")
	}
	select {
	case <-d.life.begun:
	case <-d.life.done:
		return api.Reloaded{}, errStopped
	case <-ctx.Done():
		return api.Reloaded{}, ctx.Err()
	}
	// Type=notify-reload of systemd 253 needs the time; earlier ones, which only have notify, pass over it.
	notify(sd.SdNotifyReloading + "\n" + sd.SdNotifyMonotonicUsec())
	c, err := d.opt.Load(ctx)
	var late []string
	if err == nil {
		late, err = d.Reload(ctx, c)
	}
	status := "config reloaded"
	switch {
	case err != nil:
		d.reload.failed.Add(1)
		d.log.Error().Err(err).Msg("config not reloaded; the present one stays in force")
		status = "config not reloaded: " + err.Error()
	case len(late) > 0:
		status += "; after a restart: " + strings.Join(late, ", ")
	}
	notify(sd.SdNotifyReady + "\nSTATUS=" + strings.Join(strings.Fields(status), " "))
	return api.Reloaded{AfterRestart: late}, err
}

// needRestart lists the keys that differ and cannot be changed while running.
func needRestart(a, b *config.Config) []string {
	var keys []string
	for _, k := range []struct {
		key  string
		a, b any
	}{
		{"boat", a.Boat, b.Boat}, {"listen", a.Listen, b.Listen}, {"tls", [2]any{a.TLS.Cert == "", a.TLS.ClientCA}, [2]any{b.TLS.Cert == "", b.TLS.ClientCA}}, {"proxies", a.Proxies, b.Proxies},
		{"manufacturer_file", a.Manufacturers, b.Manufacturers}, {"state_dir", a.StateDir, b.StateDir}, {"store", a.Store, b.Store},
	} {
		if !reflect.DeepEqual(k.a, k.b) {
			keys = append(keys, k.key)
		}
	}
	return keys
}
