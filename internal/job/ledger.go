package job

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"muster/internal/event"
	"muster/internal/input"
)

// Names of what every job's folder holds.
const (
	ledgerName = "ledger.jsonl"
	lockName   = "lock"
)

// Bounds of a ledger.
const (
	maxLedger = 64 << 20 // bytes
	maxLine   = 1 << 20
)

// clockBack is the smallest step back by which a clock counts as set; less is two computers' clocks.
const clockBack = time.Second

// Errors by which a caller can distinguish the faults of a ledger.
var (
	ErrAltered = errors.New("the ledger was altered")
	ErrClosed  = errors.New("the job is closed")
	ErrAway    = errors.New("the job was handed over")
)

// Ledger is what happened in a job, as far as it was read. Its file only ever grows. One goroutine uses a Ledger; any number of them, in
// any number of processes, may have one of the same file.
type Ledger struct {
	Lines []*Line
	Torn  int // bytes behind the last whole line: what a power cut left of one that was never answered for

	cut    []byte // those bytes
	dir    string
	size   int64  // of the whole lines
	digest string // of the last line
	on     string
	now    func() time.Time
	clock  func() string // what the time is by; nil for this computer's clock
}

// OpenLedger reads the ledger of a job's folder; one that is not there yet is empty. on is where this program runs:
// laptop, boat or hub.
func OpenLedger(ctx context.Context, dir, on string) (*Ledger, error) {
	l := &Ledger{dir: dir, on: on, now: time.Now}
	return l, l.Refresh(ctx)
}

func (l *Ledger) file() string { return filepath.Join(l.dir, ledgerName) }

// Refresh reads the lines that were added since.
func (l *Ledger) Refresh(ctx context.Context) error {
	f, err := os.Open(l.file())
	if errors.Is(err, fs.ErrNotExist) && len(l.Lines) == 0 {
		return nil
	}
	if err != nil {
		return fmt.Errorf("ledger: %w", err)
	}
	defer f.Close()
	fi, err := f.Stat()
	if err != nil {
		return fmt.Errorf("ledger: %w", err)
	}
	if fi.Size() < l.size {
		return fmt.Errorf("%s: %w: it is shorter than it was: put it back from a copy", l.file(), ErrAltered)
	}
	if _, err := f.Seek(l.size, io.SeekStart); err != nil {
		return fmt.Errorf("ledger: %w", err)
	}
	text, err := input.Read(ctx, l.file(), f, max(0, maxLedger-int(l.size)))
	if err != nil {
		return fmt.Errorf("ledger: %w", err)
	}
	return l.read(ctx, text)
}

// read takes up whole lines. What is behind the last line end is torn.
func (l *Ledger) read(ctx context.Context, text []byte) error {
	for {
		line, rest, whole := bytes.Cut(text, []byte("\n"))
		if !whole {
			l.Torn, l.cut = len(text), nil
			if len(text) > 1 && len(text) <= maxLine {
				l.cut = bytes.Clone(text)
			}
			return nil
		}
		next, err := parseLine(ctx, l.file(), len(l.Lines)+1, line)
		if err != nil {
			return fmt.Errorf("%w: %w", ErrAltered, err)
		}
		if err := l.follows(next); err != nil {
			return err
		}
		l.Lines, l.size, l.digest, text = append(l.Lines, next), l.size+int64(len(line))+1, Digest(line), rest
	}
}

// follows refuses a line that is not the next one.
func (l *Ledger) follows(next *Line) error {
	n := len(l.Lines) + 1
	altered := func(what string) error {
		return fmt.Errorf("%s: line %d: %w: %s", l.file(), n, ErrAltered, what)
	}
	switch {
	case next.N != n:
		return altered(fmt.Sprintf("it is numbered %d", next.N))
	case next.Prev != l.digest:
		return altered(fmt.Sprintf("it follows a line with SHA-256 %q, the line before has %q", input.Shorten(next.Prev), l.digest))
	case (next.Kind == TakenOver) != (l.Away() != "") && next.Kind != ClockSet:
		return altered("a job goes on by being taken over after it was handed over, and only then")
	case n > 1 && next.Kind != ClockSet && next.At < l.last().At:
		return altered("its time is before that of the line before, and no line reports that the clock was set")
	}
	return nil
}

func (l *Ledger) last() *Line { return l.Lines[len(l.Lines)-1] }

// Closed reports whether nothing more is to be added but a line that opens the job again.
func (l *Ledger) Closed() bool { return len(l.Lines) > 0 && l.last().Kind == Closed }

// Away is who has the job, or where, when it was handed over; "" when it is here.
func (l *Ledger) Away() string {
	for i := len(l.Lines) - 1; i >= 0; i-- {
		if line := l.Lines[i]; line.Kind != ClockSet {
			var to Handover
			if line.Kind != HandedOver || line.Into(&to) != nil {
				return ""
			}
			return cmp.Or(to.To, "another place")
		}
	}
	return ""
}

// Open is nil when lines may be added; else why not.
func (l *Ledger) Open() error {
	switch {
	case l.Closed():
		return fmt.Errorf("%s: %w", l.dir, ErrClosed)
	case l.Away() != "":
		return fmt.Errorf("%s: %w to %s: it goes on there", l.dir, ErrAway, l.Away())
	}
	return nil
}

// Digest is the SHA-256 of the last line, which covers all before it; "" of an empty ledger.
func (l *Ledger) Digest() string { return l.digest }

// Entry is what a caller puts into a line; the ledger adds the rest.
type Entry struct {
	Kind  Kind
	By    string
	About *About
	Data  any
}

// Append adds lines and returns when they are on the disk.
func (l *Ledger) Append(ctx context.Context, entries ...Entry) error {
	return l.Update(ctx, func() ([]Entry, error) { return entries, nil })
}

// Update adds the lines that decide gives. It is called with the ledger locked and read to its end, so that no other
// writer adds anything between what it sees and what it adds. An error of decide adds nothing.
func (l *Ledger) Update(ctx context.Context, decide func() ([]Entry, error)) error {
	unlock, err := lockKept(filepath.Join(l.dir, lockName))
	if err != nil {
		return fmt.Errorf("ledger: %w", err)
	}
	defer unlock()
	if err := l.Refresh(ctx); err != nil {
		return err
	}
	entries, err := decide()
	if err != nil || len(entries) == 0 {
		return err
	}
	return l.write(ctx, entries, nil)
}

// write adds lines behind the last whole one. sign, when not nil, completes the last entry's line.
func (l *Ledger) write(ctx context.Context, entries []Entry, sign func(*Line) error) error {
	switch first := entries[0].Kind; {
	case first == TakenOver && l.Away() == "":
		return fmt.Errorf("%s: take over: the job was not handed over", l.dir)
	case first != TakenOver && !(first == Reopened && l.Closed()):
		if err := l.Open(); err != nil {
			return err
		}
	}
	var text []byte
	prev, n := l.digest, len(l.Lines)
	var at event.Time
	if n > 0 {
		at = l.last().At
	}
	now := event.At(l.now())
	clock := "system"
	if l.clock != nil {
		clock = l.clock()
	} else if now < event.ClockSet {
		clock = "unset"
	}
	add := func(e Entry, last bool) error {
		line := &Line{N: n + 1, At: at, Clock: clock, By: e.By, On: l.on, Kind: e.Kind, About: e.About, Prev: prev}
		if e.Data != nil {
			var err error
			if line.Data, err = json.Marshal(e.Data); err != nil {
				return fmt.Errorf("ledger: %w", err)
			}
		}
		if sign != nil && last {
			if err := sign(line); err != nil {
				return err
			}
		}
		b, err := line.encode()
		if err != nil {
			return err
		}
		if len(b) > maxLine {
			return fmt.Errorf("ledger: a line of %d bytes is longer than %d: put it into a file and attach that", len(b), maxLine)
		}
		text, prev, n = append(append(text, b...), '\n'), Digest(b), n+1
		return nil
	}
	was := at
	at = max(at, now)
	if n > 0 && was.Sub(now) >= clockBack {
		at = now
		if err := add(Entry{Kind: ClockSet, By: entries[0].By, Data: ClockChange{From: was, To: now}}, false); err != nil {
			return err
		}
	}
	for i, e := range entries {
		if err := add(e, i == len(entries)-1); err != nil {
			return err
		}
	}
	if l.size+int64(len(text)) > maxLedger {
		return fmt.Errorf("ledger: it would be longer than %d bytes: close this job and open another", maxLedger)
	}
	if err := l.put(text); err != nil {
		return fmt.Errorf("ledger: %w", err)
	}
	return l.Refresh(ctx)
}

// put writes behind the whole lines, over a torn one, and waits for the disk.
func (l *Ledger) put(text []byte) error {
	f, err := os.OpenFile(l.file(), os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := f.Truncate(l.size); err != nil {
		return err
	}
	if _, err := f.WriteAt(text, l.size); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	if l.size > 0 {
		return nil
	}
	input.SyncDir(l.dir)
	return nil
}

// ClockChange is the data of a clock-set line.
type ClockChange struct {
	From event.Time `json:"from"`
	To   event.Time `json:"to"`
}

// Close adds the line that closes the job, signed with each of the keys.
func (l *Ledger) Close(ctx context.Context, by string, keys ...Signer) error {
	unlock, err := lockKept(filepath.Join(l.dir, lockName))
	if err != nil {
		return fmt.Errorf("ledger: %w", err)
	}
	defer unlock()
	if err := l.Refresh(ctx); err != nil {
		return err
	}
	if len(l.Lines) == 0 {
		return errors.New("close: the ledger is empty")
	}
	return l.write(ctx, []Entry{{Kind: Closed, By: by}}, func(line *Line) error { return signLine(line, keys) })
}

// ClosedWith are the keys that signed the job when it was closed; none of an open job, and of one whose key nobody kept.
func (l *Ledger) ClosedWith() (keys []KeyName) {
	var c Closing
	if !l.Closed() || l.last().Into(&c) != nil || c.Unsigned {
		return nil
	}
	for _, s := range c.Signatures {
		keys = append(keys, s.KeyName)
	}
	return keys
}

// verify checks the signatures of every closing line.
func (l *Ledger) verify() error {
	for _, line := range l.Lines {
		if line.Kind != Closed {
			continue
		}
		if err := verifyLine(line); err != nil {
			return err
		}
	}
	return nil
}
