// Talk sends one message by ISO transport in connection mode from a claimed address, and ends when it is acknowledged.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"muster/internal/event"
	"muster/internal/node"
	"muster/internal/tap"
	"muster/pgn"
)

const receiver = 0x51

func main() {
	if err := run(os.Args[1]); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// run claims an address on the interface, sends 100 bytes to the receiver and waits until they have arrived.
func run(iface string) error {
	bus, err := tap.OpenSender(iface, tap.Options{Transmit: true})
	if err != nil {
		return err
	}
	defer bus.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	heard := make(chan event.Event, 1024)
	go func() {
		events := make([]event.Event, 64)
		for {
			n, err := bus.Read(events)
			for _, e := range events[:n] {
				if e.Kind == event.KindFrame && !e.Sent {
					heard <- e
				}
			}
			if err != nil {
				return
			}
		}
	}()
	var out node.Outbox
	n := node.New(node.OwnOptions(77, "1", "1"), &out)
	flush := func() error {
		for _, f := range out.Frames {
			if err := bus.Send(f); err != nil {
				return err
			}
		}
		out.Reset()
		return nil
	}
	sent := false
	n.Start(event.At(time.Now()))
	data := make([]byte, 100)
	for i := range data {
		data[i] = [8]byte{0x01, 0x23, 0x45, 0x67, 0x89, 0xAB, 0xCD, 0xEF}[i%8]
	}
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case e := <-heard:
			n.Feed(e.Time, &e.Frame)
			const endOfMessage = 19 // ISO 11783-3
			if id := pgn.ID(e.Frame.ID); sent && id.PGN() == 60416 && id.Source() == receiver && e.Frame.Data[0] == endOfMessage {
				return nil
			}
		case now := <-tick.C:
			n.Tick(event.At(now))
			if _, ok := n.Address(); ok && !sent {
				sent = true
				if !n.SendISO(event.At(now), 0x1EF00, receiver, data) {
					return errors.New("the node refused to send")
				}
			}
		case <-ctx.Done():
			return fmt.Errorf("sent %v, not acknowledged: %w", sent, ctx.Err())
		}
		if err := flush(); err != nil {
			return err
		}
	}
}
