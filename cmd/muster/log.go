package main

import (
	"io"
	"os"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/cli"
	"muster/internal/config"
)

// logTo is where log lines go. Level and format can be changed while loggers that write to it are in use.
type logTo struct {
	out   io.Writer
	style atomic.Pointer[logStyle]
}

type logStyle struct {
	least zerolog.Level
	to    io.Writer
}

// set takes the log section of a config, which has been checked.
func (l *logTo) set(c config.Log) {
	s := &logStyle{least: zerolog.InfoLevel, to: l.out}
	if level, err := zerolog.ParseLevel(c.Level); err == nil {
		s.least = level
	}
	_, onTerminal := cli.Terminal(l.out)
	if c.Format == "text" || c.Format == "auto" && onTerminal {
		s.to = zerolog.ConsoleWriter{Out: l.out, TimeFormat: time.TimeOnly,
			NoColor: !onTerminal || os.Getenv("NO_COLOR") != ""}
	}
	l.style.Store(s)
}

// WriteLevel writes a line that matters enough.
func (l *logTo) WriteLevel(level zerolog.Level, line []byte) (int, error) {
	s := l.style.Load()
	if level < s.least {
		return len(line), nil
	}
	return s.to.Write(line)
}

// Write writes a line without a level.
func (l *logTo) Write(line []byte) (int, error) { return l.WriteLevel(zerolog.NoLevel, line) }

// logger makes a logger whose lines go to l.
func (l *logTo) logger() zerolog.Logger { return zerolog.New(l).With().Timestamp().Logger() }

// log writes to standard error: text on a terminal, otherwise JSON lines, unless the config sets another form.
func (a *app) log(c config.Log) *logTo {
	l := &logTo{out: a.stderr}
	l.set(c)
	return l
}

// errorLog is for a command whose report has the alerts in it.
func (a *app) errorLog(c config.Config) zerolog.Logger {
	return a.log(config.Log{Level: "error", Format: c.Log.Format}).logger()
}
