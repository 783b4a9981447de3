package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"time"

	"github.com/spf13/cobra"

	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/fleet/trust"
	"muster/internal/release"
)

// unseen is what was found where the doctor was not told where to look.
const unseen = "not looked at: no --sheets DIR"

// symptom is one thing that the doctor looked at. Without a remedy it is in order, unless it is unseen.
type symptom struct {
	what, found string
	remedy      string // what to do next
}

type doctorCmd struct {
	data
	TLSCert string
	Sheets  string
	URL     string
}

func newDoctor(a *app) *cobra.Command {
	c := doctorCmd{}
	cmd := &cobra.Command{
		Use: "doctor", Short: "Show what is wrong with this hub, and the next step",
		Long: "Look at the hub's folder, keys, boats, certificate and release sheets, and ask a running hub how it is. Nothing is changed.",
		Example: `  sudo -u muster-hub muster-hub doctor --data /var/lib/muster-hub
  muster-hub doctor --tls-cert cert.pem --sheets sheets --url https://hub.example.org:8633`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return c.run(a) },
	}
	f := cmd.Flags()
	c.data.flags(cmd)
	f.StringVar(&c.TLSCert, "tls-cert", "", "PEM `FILE` with the certificate that muster-hub run has")
	cli.Dir(cmd, &c.Sheets, "sheets", "`DIR` of release sheets that muster-hub run has")
	f.StringVar(&c.URL, "url", "http://127.0.0.1:8633", "`URL` of the pages of the running hub")
	return cmd
}

// run prints what was looked at, and ends with a fault's status when something needs a person.
func (c *doctorCmd) run(a *app) error {
	if err := c.folder(); err != nil {
		return err
	}
	list := append(c.look(time.Now()), c.sheets(a.ctx), c.answers(a.ctx))
	faults := 0
	for _, s := range list {
		if s.what == "" {
			continue
		}
		state := "OK"
		switch {
		case s.found == unseen:
			state = "info"
		case s.remedy != "":
			state = "fault"
			faults++
		}
		fmt.Fprintf(a.stdout, "%-5s  %s: %s\n", state, s.what, s.found)
		if s.remedy != "" {
			fmt.Fprintf(a.stdout, "       Next: %s\n", s.remedy)
		}
	}
	if faults > 0 {
		return fmt.Errorf("%s found", boat.Counted(faults, "fault", "faults"))
	}
	return nil
}

// look looks at the folder, its boats and the certificate.
func (c *doctorCmd) look(now time.Time) (list []symptom) {
	t, err := trust.Existing(c.trust())
	switch {
	case errors.Is(err, fs.ErrNotExist):
		list = append(list, symptom{"keys", fmt.Sprintf("%q holds none", c.Data), "name the hub's folder with --data, or start it: muster-hub run"})
	case err != nil:
		list = append(list, symptom{"keys", err.Error(), "run it as the user that owns the folder"})
	default:
		list = append(list, symptom{"keys", "in " + c.trust(), ""}, c.boats(t), c.running())
	}
	if c.TLSCert != "" {
		list = append(list, c.certificate(now))
	}
	return list
}

// boats is whether any boat may report.
func (c *doctorCmd) boats(t *trust.Trust) symptom {
	list, _, err := t.Boats()
	if err != nil {
		return symptom{"boats", err.Error(), "restore the folder trust from its copy"}
	}
	n := 0
	for _, e := range list {
		if e.Revoked.IsZero() {
			n++
		}
	}
	if n == 0 {
		return symptom{"boats", "none is enrolled", "make a code on the page Enrol, and run muster join on the boat computer"}
	}
	return symptom{"boats", boat.Counted(n, "boat", "boats") + " enrolled", ""}
}

// running is whether a hub runs on the folder.
func (c *doctorCmd) running() symptom {
	unlock, free, err := tryLock(c.lock())
	switch {
	case err != nil:
		return symptom{"hub", err.Error(), "run it as the user that owns the folder"}
	case free:
		unlock()
		return symptom{"hub", "none runs on this folder", "start it: muster-hub run, or sudo systemctl start muster-hub"}
	}
	return symptom{"hub", "runs on this folder", ""}
}

// soon is how long before its end a certificate is to be renewed.
const soon = 14 * 24 * time.Hour

func (c *doctorCmd) certificate(now time.Time) symptom {
	leaf, err := readCertificate(c.TLSCert)
	switch {
	case err != nil:
		return symptom{"certificate", fmt.Sprintf("%q: %v", c.TLSCert, cli.PlainPath(err)), "give the PEM file that muster-hub run has as --tls-cert"}
	case now.Add(soon).After(leaf.NotAfter):
		return symptom{"certificate", "valid until " + leaf.NotAfter.UTC().Format(time.DateOnly), "renew it, then start the hub again"}
	}
	return symptom{"certificate", "valid until " + leaf.NotAfter.UTC().Format(time.DateOnly), ""}
}

func (c *doctorCmd) sheets(ctx context.Context) symptom {
	if c.Sheets == "" {
		return symptom{"sheets", unseen, ""}
	}
	if _, err := release.LoadFS(ctx, os.DirFS(c.Sheets), c.Sheets); err != nil {
		return symptom{"sheets", err.Error(), "correct the file; the hub keeps the sheets before"}
	}
	return symptom{"sheets", "in order", ""}
}

// answers is whether the running hub is ready.
func (c *doctorCmd) answers(ctx context.Context) symptom {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, c.URL+"/-/healthy", nil)
	if err != nil {
		return symptom{"pages", "--url: it is no URL", "write it as http://127.0.0.1:8633"}
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return symptom{"pages", "no answer at " + c.URL, "start the hub, or name the address of its pages with --url"}
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return symptom{"pages", c.URL + " answers " + resp.Status, "see the hub's log: sudo journalctl -u muster-hub"}
	}
	return symptom{"pages", "answer at " + c.URL, ""}
}
