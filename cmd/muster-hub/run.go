package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"os/signal"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/fleet/broker"
	"muster/internal/fleet/hub"
	"muster/internal/fleet/trust"
	"muster/internal/release"
)

type runCmd struct {
	data
	Listen      string
	BoatsListen string
	ExternalURL string
	BoatsURL    []string
	TLSCert     string
	TLSKey      string
	ClientCA    string
	Proxies     []string
	TokenFile   string
	Sheets      string
	NATS        string
	Creds       string
	CA          string
	Replicas    int
	KeepDays    int
	MaxGB       int
	BoatMB      int
	SyncEvery   time.Duration
	Log         string
}

func newRun(a *app) *cobra.Command {
	c := runCmd{}
	cmd := &cobra.Command{
		Use: "run", Short: "Run the hub: message server, streams and pages",
		Long: "Run the hub. The message server and its streams are inside; --nats uses a server or a cluster outside instead, which several hubs can share.",
		Example: `  muster-hub run
  muster-hub run --boats-listen :4222 --tls-cert cert.pem --tls-key key.pem --listen :8633 --token-file token --sheets sheets
  muster-hub run --nats tls://hub1:4222,tls://hub2:4222,tls://hub3:4222 --replicas 3`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return c.run(a) },
	}
	f := cmd.Flags()
	c.data.flags(cmd)
	f.StringVar(&c.Listen, "listen", "127.0.0.1:8633", "`HOST:PORT` of the pages, or off. Beyond this computer they need a token or TLS")
	f.StringVar(&c.BoatsListen, "boats-listen", "127.0.0.1:4222", "`HOST:PORT` for boats. Beyond this computer it needs TLS")
	f.StringVar(&c.ExternalURL, "external-url", "", "`URL` where people and boats reach the pages, for codes and addresses that boats join by. Default: as each request came")
	f.StringSliceVar(&c.BoatsURL, "boats-url", nil, "`URL` where boats reach the hub, such as tls://hub.example.org:4222. Default: the host of the pages")
	f.StringVar(&c.TLSCert, "tls-cert", "", "PEM `FILE` with the certificate, for the pages and for boats")
	f.StringVar(&c.TLSKey, "tls-key", "", "PEM `FILE` with its key")
	f.StringVar(&c.TokenFile, "token-file", "", "`FILE` with the token for the pages; a second line is a read-only token")
	cli.Dir(cmd, &c.Sheets, "sheets", "`DIR` of the shop's release sheets, which order versions. SIGHUP reads it again")
	f.StringVar(&c.ClientCA, "client-ca", "", "PEM `FILE` of an authority; the pages are then only for clients with a certificate that it signed")
	f.StringSliceVar(&c.Proxies, "proxy", nil, "`ADDRESS` or network of a proxy in front of the pages; X-Forwarded-For of others is not believed")
	f.StringVar(&c.NATS, "nats", "", "`URL,...` of message servers outside, instead of the one inside")
	f.StringVar(&c.Creds, "creds", "", "`FILE` with credentials for them. Default: this folder's keys, if any")
	f.StringVar(&c.CA, "ca", "", "PEM `FILE` of the authority that signed their certificate")
	f.IntVar(&c.Replicas, "replicas", 1, "Copies of everything in a cluster, `N` being 1, 3 or 5")
	f.IntVar(&c.KeepDays, "keep-days", 400, "Keep the history this many `DAYS`; the latest report of each boat stays")
	f.IntVar(&c.MaxGB, "max-gb", 0, "Maximum size of the history in `GB`; 0 means as much as the disk allows")
	f.IntVar(&c.BoatMB, "boat-mb", hub.DefaultBudget>>20, "Cut off a boat that sends more than this many `MB` on a day; 0 means no bound")
	f.DurationVar(&c.SyncEvery, "sync-every", 0, "Disk sync `INTERVAL`; 0 syncs before each acknowledgement, so a power cut loses nothing")
	cli.Choice(cmd, &c.Log, "log", "info", "Minimum log `LEVEL`", "debug", "info", "warn", "error")
	return cmd
}

// stopWithin bounds each part of ending.
const stopWithin = 10 * time.Second

func (c *runCmd) check() error {
	switch {
	case (c.TLSCert == "") != (c.TLSKey == ""):
		return errors.New("--tls-cert and --tls-key go together: give both or none")
	case c.Replicas != 1 && c.Replicas != 3 && c.Replicas != 5:
		return fmt.Errorf("--replicas %d: give 1, 3 or 5", c.Replicas)
	case c.Replicas > 1 && c.NATS == "":
		return errors.New("--replicas needs a cluster: name its servers with --nats")
	case c.KeepDays < 1:
		return fmt.Errorf("--keep-days %d: give 1 or more", c.KeepDays)
	case c.MaxGB < 0:
		return fmt.Errorf("--max-gb %d: give 0 or more", c.MaxGB)
	case c.BoatMB < 0:
		return fmt.Errorf("--boat-mb %d: give 0 or more", c.BoatMB)
	case c.SyncEvery < 0:
		return fmt.Errorf("--sync-every %v: give 0 or more", c.SyncEvery)
	}
	if err := c.checkURLs(); err != nil {
		return err
	}
	if err := config.CheckListen(c.Listen, c.TokenFile != "" || c.TLSCert != ""); err != nil {
		return fmt.Errorf("--listen: %w", err)
	}
	if c.ClientCA != "" && c.TLSCert == "" {
		return errors.New("--client-ca: clients show a certificate over TLS only: give --tls-cert and --tls-key")
	}
	if _, err := config.Networks(c.Proxies); err != nil {
		return fmt.Errorf("--proxy: %w", err)
	}
	if c.NATS != "" {
		return errors.Join(checkServers("--nats", c.NATS), checkCA(c.CA))
	}
	if c.Creds != "" || c.CA != "" {
		return errors.New("--creds and --ca are for servers outside: name them with --nats")
	}
	if err := checkAddress("--boats-listen", c.BoatsListen); err != nil {
		return err
	}
	host, _, _ := net.SplitHostPort(c.BoatsListen)
	if c.TLSCert == "" && !config.Loopback(host) {
		return cli.WithHint(fmt.Errorf("--boats-listen %q can be reached from other computers, and all could read what boats send", c.BoatsListen),
			"give --tls-cert and --tls-key, or listen on 127.0.0.1")
	}
	return nil
}

// checkURLs reports what is wrong with where people and boats reach the hub.
func (c *runCmd) checkURLs() error {
	if c.ExternalURL != "" {
		u, err := url.Parse(c.ExternalURL)
		if err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "" || u.User != nil || u.RawQuery != "" {
			return errors.New("--external-url: it is no URL of pages: write https://HOST")
		}
	}
	for _, address := range c.BoatsURL {
		if err := config.CheckHubURL(address); err != nil {
			return fmt.Errorf("--boats-url: %w", err)
		}
	}
	return nil
}

// boatsURLs are where boats reach the message server. The one inside is on the host of the pages unless another is named.
func (c *runCmd) boatsURLs(server *broker.Server) []string {
	switch {
	case len(c.BoatsURL) > 0:
		return c.BoatsURL
	case server == nil:
		return strings.Split(c.NATS, ",")
	}
	u, err := url.Parse(server.ClientURL())
	if err != nil {
		return nil
	}
	scheme := "nats"
	if c.TLSCert != "" {
		scheme = "tls"
	}
	return []string{scheme + "://:" + u.Port()}
}

// run keeps the fleet until interrupted.
func (c *runCmd) run(a *app) error {
	if err := c.check(); err != nil {
		return err
	}
	log, err := a.logger(c.Log)
	if err != nil {
		return err
	}
	if c.TLSCert != "" {
		if _, err := tls.LoadX509KeyPair(c.TLSCert, c.TLSKey); err != nil {
			return cli.WithHint(fmt.Errorf("--tls-cert %q, --tls-key %q: %w", c.TLSCert, c.TLSKey, cli.PlainPath(err)), "give PEM files that belong together")
		}
	}
	sheets, err := loadSheets(a.ctx, c.Sheets, log)
	if err != nil {
		return err
	}
	token, readToken, err := readTokens(a.ctx, c.TokenFile)
	if err != nil {
		return err
	}
	if err := c.writable(); err != nil {
		return err
	}
	if err := os.MkdirAll(c.Data, 0o700); err != nil {
		return fmt.Errorf("make %q: %w", c.Data, cli.PlainPath(err))
	}
	unlock, free, err := tryLock(c.lock())
	if err != nil {
		return fmt.Errorf("lock %q: %w", c.lock(), cli.PlainPath(err))
	}
	if !free {
		return cli.WithHint(fmt.Errorf("a hub runs on folder %q already", c.Data), "end it, or give this one a folder of its own with --data")
	}
	defer unlock()

	links, err := c.connect(a.ctx, log)
	if a.ctx.Err() != nil {
		err = nil
	}
	if err != nil || links == nil {
		return err
	}
	defer links.close()
	starting, cancel := context.WithTimeout(a.ctx, time.Minute)
	defer cancel()
	options := hub.Options{Conn: links.hub, Replicas: c.Replicas, MaxAge: time.Duration(c.KeepDays) * 24 * time.Hour,
		MaxBytes: int64(c.MaxGB) << 30, Budget: int64(c.BoatMB) << 20, Sheets: sheets.Load, Log: log}
	if links.trust != nil {
		options.CutOff = func(boat, why string) error { return links.trust.Revoke(boat, why, time.Now()) }
	}
	h, err := hub.New(starting, options)
	if err != nil {
		if a.ctx.Err() != nil {
			return nil
		}
		if hub.Full(err) {
			return cli.WithHint(&serverError{err}, "make room on the disk of the streams, or set less aside for the history with --max-gb")
		}
		return cli.WithHint(&serverError{err}, "check that the servers run with streams turned on, and that there are as many as --replicas")
	}
	running, end := context.WithCancel(a.ctx)
	defer end()
	g, ctx := errgroup.WithContext(running)
	g.Go(func() error { return h.Run(ctx) })
	if links.system != nil {
		g.Go(func() error { h.KeepEnrolled(ctx, links.trust, links.system); return nil })
		g.Go(func() error { return h.KeepFew(ctx, links.trust, links.system) })
	}
	g.Go(func() error { rereadSheets(ctx, c.Sheets, sheets, log); return nil })
	g.Go(func() error { notifySystemd(ctx, h); return nil })
	if _, err := c.servePages(ctx, g, h, links, sheets.Load, token, readToken, log); err != nil {
		end()
		_ = g.Wait()
		return err
	}
	return g.Wait()
}

// links are the hub's connections, and the server within when there is one.
type links struct {
	trust       *trust.Trust // nil on a machine without keys
	server      *broker.Server
	hub, system *nats.Conn // system is nil on a machine without keys
	log         zerolog.Logger
}

func (l *links) close() {
	for _, nc := range []*nats.Conn{l.hub, l.system} {
		if nc != nil {
			nc.Close()
		}
	}
	if l.server != nil {
		if err := l.server.Stop(stopWithin); err != nil {
			l.log.Warn().Err(err).Msg("ending")
		}
	}
}

func (c *runCmd) connect(ctx context.Context, log zerolog.Logger) (*links, error) {
	l := &links{log: log}
	var hubCreds, systemCreds []byte
	var err error
	if c.Creds != "" {
		if hubCreds, err = readHubCreds("--creds", c.Creds); err != nil {
			return nil, err
		}
	}
	if c.NATS == "" {
		l.trust, err = trust.Open(c.trust())
	} else if l.trust, err = trust.Existing(c.trust()); errors.Is(err, os.ErrNotExist) {
		l.trust, err = nil, nil
		if hubCreds == nil {
			err = cli.WithHint(fmt.Errorf("%q holds no hub's keys, and no credentials are given", c.Data),
				"make some with muster-hub hub-creds on the computer that enrols boats, and give them with --creds")
		}
	}
	if err != nil {
		return nil, err
	}
	if l.trust != nil {
		if systemCreds, err = l.trust.SystemCreds(); err == nil && hubCreds == nil {
			hubCreds, err = l.trust.HubCreds()
		}
		if err != nil {
			return nil, err
		}
	}
	open := c.dial(log)
	if c.NATS == "" {
		papers, err := l.trust.Papers()
		if err != nil {
			return nil, err
		}
		l.server, err = broker.Start(ctx, broker.Options{Listen: c.BoatsListen, TLSCert: c.TLSCert, TLSKey: c.TLSKey,
			Dir: c.streams(), Papers: papers,
			SyncEvery: c.SyncEvery, Log: log.With().Str("component", "server").Logger()})
		if err != nil {
			return nil, &serverError{err}
		}
		log.Info().Str("url", l.server.ClientURL()).Msg("boats are expected")
		open = l.server.Connect
	}
	if l.hub, err = open(hubCreds, "muster-hub"); err == nil && systemCreds != nil {
		l.system, err = open(systemCreds, "muster-hub enrolment")
	}
	if err != nil {
		l.close()
		return nil, err
	}
	return l, nil
}

// dial connects to servers outside.
func (c *runCmd) dial(log zerolog.Logger) func(creds []byte, name string) (*nats.Conn, error) {
	return func(creds []byte, name string) (*nats.Conn, error) { return dial(c.NATS, c.CA, creds, name, log) }
}

// sheetsHolder is the sheets in force; nil without any.
type sheetsHolder = atomic.Pointer[release.Sheets]

func loadSheets(ctx context.Context, dir string, log zerolog.Logger) (*sheetsHolder, error) {
	var h sheetsHolder
	if dir == "" {
		return &h, nil
	}
	s, err := release.LoadFS(ctx, os.DirFS(dir), dir)
	if err != nil {
		return nil, err
	}
	for _, m := range s.Warnings {
		log.Warn().Msg(m.Error())
	}
	h.Store(s)
	return &h, nil
}

// rereadSheets reads the sheets again on each SIGHUP. Some that cannot be used leave the present ones in force.
func rereadSheets(ctx context.Context, dir string, sheets *sheetsHolder, log zerolog.Logger) {
	hangup := make(chan os.Signal, 1)
	signal.Notify(hangup, syscall.SIGHUP)
	defer signal.Stop(hangup)
	for {
		select {
		case <-ctx.Done():
			return
		case <-hangup:
		}
		if dir == "" {
			continue
		}
		s, err := release.LoadFS(ctx, os.DirFS(dir), dir)
		if err != nil {
			log.Error().Err(err).Msg("the sheets cannot be used; those before stay in force")
			continue
		}
		sheets.Store(s)
		log.Info().Int("models", len(s.Models)).Msg("sheets read again")
	}
}

// notifySystemd notifies systemd when the hub is ready, and from then on that it is alive.
func notifySystemd(ctx context.Context, h *hub.Hub) {
	limit, err := daemon.SdWatchdogEnabled(false)
	if err != nil || limit == 0 {
		limit = 30 * time.Second
	}
	ready := false
	tick := time.NewTicker(min(limit/3, time.Second))
	defer tick.Stop()
	for {
		if !ready && h.Ready() == nil {
			ready = true
			_, _ = daemon.SdNotify(false, daemon.SdNotifyReady)
		}
		_, _ = daemon.SdNotify(false, daemon.SdNotifyWatchdog)
		select {
		case <-ctx.Done():
			_, _ = daemon.SdNotify(false, daemon.SdNotifyStopping)
			return
		case <-tick.C:
		}
	}
}
