package main

import (
	"time"

	"github.com/schollz/progressbar/v3"

	"muster/internal/cli"
)

// progress shows how much of the captures has been read, on a terminal only.
type progress struct {
	bar   *progressbar.ProgressBar
	width int
	a     *app
	began time.Time
	last  time.Time
}

// progress makes a bar that shows nothing unless standard error is a terminal.
func (a *app) progress() *progress {
	width, ok := cli.Terminal(a.stderr)
	if !ok {
		width = 0
	}
	return &progress{width: width, a: a, began: time.Now()}
}

// set sets how many bytes of how many have been read. What is done within half a second gets no bar.
func (p *progress) set(read, total int64) {
	now := time.Now()
	if p.width == 0 || total <= 0 || now.Sub(p.began) < 500*time.Millisecond || now.Sub(p.last) < 100*time.Millisecond {
		return
	}
	p.last = now
	if p.bar == nil {
		p.bar = progressbar.NewOptions64(total, progressbar.OptionSetWriter(p.a.stderr),
			progressbar.OptionShowBytes(true),
			progressbar.OptionSetDescription("reading"), progressbar.OptionSetWidth(min(30, p.width/3)),
			progressbar.OptionClearOnFinish(), progressbar.OptionThrottle(100*time.Millisecond))
	}
	_ = p.bar.Set64(min(read, total))
}

// done takes the bar away.
func (p *progress) done() {
	if p.bar != nil {
		_ = p.bar.Finish()
	}
}
