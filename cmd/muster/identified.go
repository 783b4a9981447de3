package main

import (
	"fmt"
	"time"

	"github.com/schollz/progressbar/v3"

	"muster/internal/cli"
	"muster/internal/report"
	"muster/internal/snapshot"
)

// identified shows how many devices are identified, on a terminal only.
type identified struct {
	bar   *progressbar.ProgressBar
	began time.Time
}

func (a *app) identified() *identified {
	width, ok := cli.Terminal(a.stderr)
	if !ok {
		return &identified{}
	}
	return &identified{began: time.Now(), bar: progressbar.NewOptions(-1, progressbar.OptionSetWriter(a.stderr),
		progressbar.OptionSetWidth(min(20, width/4)),
		progressbar.OptionClearOnFinish(), progressbar.OptionSetElapsedTime(false), progressbar.OptionSetPredictTime(false))}
}

// set shows the count of a report.
func (p *identified) set(r *report.Report) {
	if p.bar == nil {
		return
	}
	n := count(r)
	p.bar.Describe(fmt.Sprintf("listening for %d s: %d of %d devices identified",
		int(time.Since(p.began).Seconds()), n-len(snapshot.Waiting(r)), n))
	_ = p.bar.Add(1)
}

// done takes the line away.
func (p *identified) done() {
	if p.bar != nil {
		_ = p.bar.Finish()
	}
}
