package main

import (
	"bytes"
	"context"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/fleet"
	"muster/internal/fleet/broker"
	"muster/internal/fleet/hub"
	"muster/internal/fleet/trust"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/snapshot"
)

//go:embed demo
var demoFiles embed.FS

type demoCmd struct{ Listen string }

func newDemo(a *app) *cobra.Command {
	c := demoCmd{}
	cmd := &cobra.Command{
		Use: "demo", Short: "Show a fleet of simulated boats and its pages; nothing to install",
		Long: `Simulate thirty boats in three marinas with a year of history. Show them on the pages of a hub, in one process. Two of the boats are live:
their own pages are one click away. What the demo makes is deleted at the end.`,
		Example: `  muster-hub demo
  muster-hub demo --listen 127.0.0.1:0`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return c.run(a) },
	}
	cmd.Flags().StringVar(&c.Listen, "listen", "127.0.0.1:8633", "`HOST:PORT` of the pages")
	return cmd
}

// demo is the fleet while it is shown.
type demo struct {
	hub    *hub.Hub
	trust  *trust.Trust
	server *broker.Server
	system *nats.Conn
	sheets *release.Sheets
	files  fs.FS // the sheets
	dir    string
	now    time.Time
	seq    []uint64 // of the latest message of each boat
}

// run shows the fleet until interrupted.
func (c *demoCmd) run(a *app) error {
	if err := config.CheckListen(c.Listen, false); err != nil {
		return fmt.Errorf("--listen: %w", err)
	}
	dir, err := os.MkdirTemp("", "muster-hub-demo-")
	if err != nil {
		return fmt.Errorf("make the folder of the demo: %w", cli.PlainPath(err))
	}
	defer os.RemoveAll(dir)
	log := zerolog.New(a.stderr).Level(zerolog.ErrorLevel).With().Timestamp().Logger()
	d := &demo{dir: dir, now: time.Now(), seq: make([]uint64, len(demoBoats))}
	if err := d.open(a.ctx, log); err != nil {
		return err
	}
	defer d.server.Stop(stopWithin)
	running, end := context.WithCancel(a.ctx)
	defer end()
	g, ctx := errgroup.WithContext(running)
	g.Go(func() error { return d.hub.Run(ctx) })
	g.Go(func() error { d.hub.KeepEnrolled(ctx, d.trust, d.system); return nil })
	stop := func(err error) error {
		end()
		err = errors.Join(err, g.Wait())
		if a.ctx.Err() != nil {
			return nil
		}
		return err
	}
	fmt.Fprintln(a.stderr, "Making a year of history: about ten seconds.")
	if err := d.fill(ctx); err != nil {
		return stop(err)
	}
	pages := runCmd{Listen: c.Listen}
	url, err := pages.servePages(ctx, g, d.hub, &links{trust: d.trust, server: d.server}, func() *release.Sheets { return d.sheets }, "", "", log)
	if err != nil {
		return stop(err)
	}
	for i := range demoBoats {
		if demoBoats[i].live {
			if err := d.live(ctx, g, i, log); err != nil {
				return stop(err)
			}
		}
	}
	g.Go(func() error { return d.goOn(ctx) })
	if _, err := fmt.Fprintf(a.stdout, "The fleet's pages are on %s until you press Ctrl-C.\n", url); err != nil {
		return stop(err)
	}
	return g.Wait()
}

// open starts the server and the hub, and enrols the boats.
func (d *demo) open(ctx context.Context, log zerolog.Logger) (err error) {
	if d.files, err = fs.Sub(demoFiles, "demo"); err != nil {
		return err
	}
	if d.sheets, err = release.LoadFS(ctx, d.files, "demo"); err != nil {
		return err
	}
	if d.trust, err = trust.Open(filepath.Join(d.dir, "trust")); err != nil {
		return err
	}
	for i := range demoBoats {
		b := &demoBoats[i]
		creds, err := d.trust.Enroll(demoID(b.name), d.now.AddDate(-1, 0, 0))
		if err == nil {
			err = errors.Join(d.trust.Place(demoID(b.name), b.marina), os.WriteFile(d.creds(b), creds, 0o600))
		}
		if err != nil {
			return err
		}
	}
	papers, err := d.trust.Papers()
	if err != nil {
		return err
	}
	d.server, err = broker.Start(ctx, broker.Options{Listen: "127.0.0.1:0", Dir: filepath.Join(d.dir, "streams"), Papers: papers, SyncEvery: time.Minute, Log: log})
	if err != nil {
		return &serverError{err}
	}
	hubCreds, err := d.trust.HubCreds()
	if err != nil {
		return err
	}
	systemCreds, err := d.trust.SystemCreds()
	if err != nil {
		return err
	}
	conn, err := d.server.Connect(hubCreds, "muster-hub")
	if err == nil {
		d.system, err = d.server.Connect(systemCreds, "muster-hub enrolment")
	}
	if err != nil {
		return &serverError{err}
	}
	d.hub, err = hub.New(ctx, hub.Options{Conn: conn, Sheets: func() *release.Sheets { return d.sheets }, Log: log})
	return err
}

func (d *demo) creds(b *demoBoat) string { return filepath.Join(d.dir, demoID(b.name)+".creds") }

// demoMoments are how long ago the boats reported, of what is kept.
var demoMoments = []time.Duration{52 * week, 39 * week, 26 * week, 12 * week, 8 * week, 4 * week, week, day,
	5 * time.Minute}

// fill sends what the boats reported in the last year, the papers of last week's jobs, and the days of the campaigns.
func (d *demo) fill(ctx context.Context) error {
	g, within := errgroup.WithContext(ctx)
	g.SetLimit(4)
	for i := range demoBoats {
		g.Go(func() error { return d.fillBoat(within, i) })
	}
	g.Go(func() error { return d.fillDays(within) })
	if err := g.Wait(); err != nil {
		return fmt.Errorf("make the history of the demo: %w", err)
	}
	for {
		s := d.hub.Stats()
		var want uint64
		for _, n := range d.seq {
			want += n
		}
		if s.Refused > 0 {
			return errors.New("make the history of the demo: the hub rejected a report")
		}
		var have uint64
		for _, n := range s.Messages {
			have += n
		}
		if have >= want {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(20 * time.Millisecond):
		}
	}
}

func (d *demo) fillBoat(ctx context.Context, number int) error {
	b := &demoBoats[number]
	var before *report.Report
	for _, ago := range demoMoments {
		if b.unheard > ago {
			ago = b.unheard
		}
		if b.visited && ago < week && before != nil {
			if err := d.visit(ctx, number, before); err != nil {
				return err
			}
			before = nil
		}
		r, err := d.send(ctx, number, ago)
		if err != nil {
			return err
		}
		if b.visited && ago >= week {
			before = r
		}
		if ago == b.unheard {
			break
		}
	}
	return nil
}

// send sends what a boat reported that long ago.
func (d *demo) send(ctx context.Context, number int, ago time.Duration) (*report.Report, error) {
	b, at := &demoBoats[number], d.now.Add(-ago)
	r, err := b.report(ctx, number, at, ago)
	if err != nil {
		return nil, err
	}
	body, err := json.Marshal(r)
	if err != nil {
		return nil, err
	}
	return r, d.take(ctx, number, fleet.KindReport, body, at)
}

func (d *demo) take(ctx context.Context, number int, k fleet.Kind, body []byte, at time.Time) error {
	b := &demoBoats[number]
	d.seq[number]++
	return d.hub.Take(ctx, demoID(b.name), k, fmt.Sprintf("computer-%d", number+1), d.seq[number], &fleet.Envelope{Schema: fleet.Schema,
		Boat: boat.Identity{ID: demoID(b.name), Name: b.name}, MadeAt: at, Clock: boat.ClockSystem,
		Version: cli.Version(), Body: body}, at)
}

// visit sends the service record of a job: both displays were updated.
func (d *demo) visit(ctx context.Context, number int, before *report.Report) error {
	b := &demoBoats[number]
	at := d.now.Add(-b.updated + 2*time.Hour)
	after, err := b.report(ctx, number, at, b.updated-2*time.Hour)
	if err != nil {
		return err
	}
	s, t := snapshot.New(before), snapshot.New(after)
	if err := errors.Join(s.Close(nil), t.Close(nil)); err != nil {
		return err
	}
	changes, err := snapshot.Compare(s, t, snapshot.Options{Order: d.sheets.Order})
	if err != nil {
		return err
	}
	of := &job.Job{Number: fmt.Sprintf("2026-%d", 230+number), Date: at.Format(time.DateOnly), Technician: "J. Technician", Customer: "A. Customer",
		Place: b.marina, Work: "Update the displays", Shop: job.Shop{Name: "Tern Quay Marine Electronics"}}
	record, err := job.NewRecord(s, t, changes, of, nil)
	if err != nil {
		return err
	}
	var out bytes.Buffer
	if err := render.ServiceRecordHTML(&out, record); err != nil {
		return err
	}
	body, err := json.Marshal(fleet.Document{Name: of.Number + ".html", Media: "text/html", Data: out.Bytes()})
	if err != nil {
		return err
	}
	return d.take(ctx, number, fleet.KindRecord, body, at)
}

// fillDays keeps how many displays were behind on each day of the campaign.
func (d *demo) fillDays(ctx context.Context) error {
	book, err := d.hub.Daybook(ctx)
	if err != nil {
		return err
	}
	code := uint32(2001)
	for ago := 120 * day; ago >= day; ago -= day {
		all := map[string]hub.Counts{}
		for i := range demoBoats {
			for _, id := range []string{"helm-display", "flybridge-display"} {
				unit := hub.Device{Manufacturer: "Larkfin", ManufacturerCode: &code, Model: "Larkfin LF9 display", Software: demoBoats[i].displaySoftware(id, ago)}
				a := unit.Kind().Assess(d.sheets)
				c := all[a.Model.Name]
				c.Add(a.Standing)
				all[a.Model.Name] = c
			}
		}
		if err := book.Put(ctx, d.now.Add(-ago).UTC().Format(time.DateOnly), all); err != nil {
			return err
		}
	}
	return nil
}
