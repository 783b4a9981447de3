package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"golang.org/x/term"

	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/event"
	"muster/internal/release"
)

// board is a table at the foot of a terminal that is drawn again in place; lines that stay go above it. The nil board
// draws nothing.
type board struct {
	w      io.Writer
	size   func() (width, height int)
	colour bool
	drawn  int // lines of the table on the screen
}

// newBoard returns nil when the standard output is no terminal that can move its cursor.
func (a *app) newBoard() *board {
	if _, ok := cli.Terminal(a.stdout); !ok || os.Getenv("TERM") == "dumb" {
		return nil
	}
	f := a.stdout.(*os.File) // terminal has seen that it is one
	return &board{w: f, colour: a.outputStyle().Colour, size: func() (int, int) {
		w, h, err := term.GetSize(int(f.Fd()))
		if err != nil || w < 20 || h < 5 {
			return 80, 24
		}
		return w, h
	}}
}

// clear takes the table away, so that a line can be printed in its place.
func (b *board) clear() {
	if b == nil || b.drawn == 0 {
		return
	}
	var s strings.Builder
	for range b.drawn {
		s.WriteString(text.CursorUp.Sprint() + text.EraseLine.Sprint())
	}
	b.drawn = 0
	_, _ = io.WriteString(b.w, s.String())
}

// draw shows the state of the work. begun is when following began.
func (b *board) draw(now, begun event.Time, list []release.StepStatus, least float64, c release.Conditions) {
	if b == nil {
		return
	}
	width, height := b.size()
	lines := append([]string{conditionLine(now, least, c)},
		strings.Split(b.table(now, begun, list, width, height-4), "\n")...)
	b.clear()
	var s strings.Builder
	for _, l := range lines {
		s.WriteString(text.Trim(l, width-1) + "\n") // a full line would make some terminals begin another
	}
	_, _ = io.WriteString(b.w, s.String())
	b.drawn = len(lines)
}

// conditionLine is "08:03:40 UTC  battery 12.8 V (minimum 12.0 V)  engines 0/min  speed 0.1 kn".
func conditionLine(now event.Time, least float64, c release.Conditions) string {
	s := now.UTC().Format(time.TimeOnly) + " UTC"
	part := func(what, format string, v *float64) {
		told := "unknown"
		if v != nil {
			told = fmt.Sprintf(format, *v)
		}
		s += "  " + what + " " + told
	}
	part("battery", "%.1f V", c.SupplyVolts)
	s += fmt.Sprintf(" (minimum %.1f V)", least)
	part("engines", "%.0f/min", c.EngineRPM)
	if c.SpeedMS == nil {
		return s + "  speed unknown"
	}
	return s + "  speed " + release.Knots(*c.SpeedMS)
}

// table is the steps with the time that each spent in each state, in so many columns and rows at most. Where rows are
// short, steps that are done give way first.
func (b *board) table(now, begun event.Time, list []release.StepStatus, width, rows int) string {
	rows = max(rows, 1)
	left := len(list) - rows
	tw := table.NewWriter()
	style := table.StyleDefault
	style.Options = table.OptionsNoBordersAndSeparators
	style.Format.Header = text.FormatDefault
	tw.SetStyle(style)
	tw.AppendHeader(table.Row{"step", "state", "waited", "away", "back", "checked", "lowest", "device", "versions"})
	shown, used := 0, 0
	for _, s := range list {
		if shown == rows || left > 0 && s.State == release.StepVerified {
			left--
			continue
		}
		shown++
		t := times(s, now, begun)
		low := ""
		if s.LowestVolts != nil {
			low = fmt.Sprintf("%.1f V", *s.LowestVolts)
		}
		versions := s.From + " -> " + s.To
		used = max(used, text.StringWidth(boat.Printable(versions)))
		tw.AppendRow(table.Row{s.Step, b.state(s.State), t[0], t[1], t[2], t[3], low, boat.Printable(s.Label),
			boat.Printable(versions)})
	}
	// What the other columns take at their widest, with two blanks of space in each of the nine columns.
	const fixed = 4 + 10 + 4*7 + 6 + 2*9
	room := width - fixed - used
	narrow := room < 20 // better a name that can be read than versions, which are in the order
	if narrow {
		room = max(10, room+used+2)
	}
	tw.SetColumnConfigs([]table.ColumnConfig{{Number: 8, WidthMax: room, WidthMaxEnforcer: text.Trim},
		{Number: 9, Hidden: narrow}})
	out := tw.Render()
	if more := len(list) - shown; more > 0 {
		out += fmt.Sprintf("\n  and %s more", number(more, "step"))
	}
	return out
}

func (b *board) state(s release.StepState) string {
	if !b.colour {
		return string(s)
	}
	c := text.FgYellow
	switch s {
	case release.StepWaiting:
		return string(s)
	case release.StepVerified:
		c = text.FgGreen
	case release.StepFailed, release.StepDisputed:
		c = text.FgRed
	}
	return c.Sprint(string(s))
}

// times are how long a step waited, was away, was back without a version, and was checked. A state that it has not
// been in is empty; the one that it is in runs until now.
func times(s release.StepStatus, now, begun event.Time) (out [4]string) {
	marks := [5]event.Time{begun, s.LeftAt, s.BackAt, s.IdentifiedAt, s.VerifiedAt}
	for i := range out {
		from, to := marks[i], marks[i+1]
		if from == 0 || i == 0 && s.Attempt > 1 { // when it left first is not known any longer
			continue
		}
		for _, later := range marks[min(i+2, 4):] { // a state that it went through unseen
			if to == 0 {
				to = later
			}
		}
		if to == 0 {
			to = now
			if s.FailedAt >= from && s.FailedAt != 0 {
				to = s.FailedAt
			}
		}
		if d := to.Sub(from); d >= 0 {
			out[i] = d.Round(time.Second).String()
		}
	}
	return out
}
