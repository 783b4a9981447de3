package main

import (
	"fmt"
	"time"

	"github.com/schollz/progressbar/v3"

	"muster/internal/cli"
	"muster/internal/report"
	"muster/internal/snapshot"
)

// roll shows how many devices have told who they are, on a terminal only.
type roll struct {
	bar   *progressbar.ProgressBar
	began time.Time
}

func (a *app) roll() *roll {
	width, ok := cli.Terminal(a.stderr)
	if !ok {
		return &roll{}
	}
	return &roll{began: time.Now(), bar: progressbar.NewOptions(-1, progressbar.OptionSetWriter(a.stderr),
		progressbar.OptionSetWidth(min(20, width/4)),
		progressbar.OptionClearOnFinish(), progressbar.OptionSetElapsedTime(false), progressbar.OptionSetPredictTime(false))}
}

// set tells what is known now.
func (p *roll) set(r *report.Report) {
	if p.bar == nil {
		return
	}
	n := count(r)
	p.bar.Describe(fmt.Sprintf("listening for %d s: %d of %d devices identified",
		int(time.Since(p.began).Seconds()), n-len(snapshot.Waiting(r)), n))
	_ = p.bar.Add(1)
}

// done takes the line away.
func (p *roll) done() {
	if p.bar != nil {
		_ = p.bar.Finish()
	}
}
