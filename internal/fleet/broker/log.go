package broker

import (
	"fmt"
	"sync"

	"github.com/rs/zerolog"
)

// logger takes what the server logs. Its notices are of interest only for fault finding.
type logger struct {
	log  zerolog.Logger
	mu   sync.Mutex
	last string
}

func (l *logger) Noticef(format string, v ...any) { l.log.Debug().Msgf(format, v...) }
func (l *logger) Debugf(format string, v ...any)  { l.log.Trace().Msgf(format, v...) }
func (l *logger) Tracef(format string, v ...any)  { l.log.Trace().Msgf(format, v...) }
func (l *logger) Warnf(format string, v ...any)   { l.log.Warn().Msgf(format, v...) }
func (l *logger) Errorf(format string, v ...any)  { l.log.Error().Msgf(format, v...) }

// Fatalf does not end the program: Start finds that the server is not ready and reports why.
func (l *logger) Fatalf(format string, v ...any) {
	l.mu.Lock()
	l.last = fmt.Sprintf(format, v...)
	l.mu.Unlock()
}

func (l *logger) fatal() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.last
}
