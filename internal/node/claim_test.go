package node

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"muster/pgn"
)

func TestClaimRaces(t *testing.T) {
	type dev struct {
		unique    uint32
		arbitrary bool
		address   uint8
		late      time.Duration // switched on after the others
		state     State
		want      uint8
	}
	for _, c := range []struct {
		name string
		devs []dev
	}{
		{"alone", []dev{{unique: 5, arbitrary: true, address: 10, state: Claimed, want: 10}}},
		{"the lower NAME keeps it, the higher moves", []dev{
			{unique: 5, arbitrary: true, address: 10, state: Claimed, want: 10},
			{unique: 6, arbitrary: true, address: 10, state: Claimed, want: 11},
		}},
		{"a newcomer of lower NAME takes it", []dev{
			{unique: 6, arbitrary: true, address: 10, state: Claimed, want: 11},
			{unique: 5, arbitrary: true, address: 10, late: 2 * time.Second, state: Claimed, want: 10},
		}},
		{"a newcomer of higher NAME moves", []dev{
			{unique: 5, arbitrary: true, address: 10, state: Claimed, want: 10},
			{unique: 6, arbitrary: true, address: 10, late: 2 * time.Second, state: Claimed, want: 11},
		}},
		{"a loser that cannot move says so", []dev{
			{unique: 5, arbitrary: false, address: 10, state: Claimed, want: 10},
			{unique: 6, arbitrary: false, address: 10, state: Unclaimed, want: pgn.Null},
		}},
		{"the move passes over taken addresses", []dev{
			{unique: 1, arbitrary: true, address: 10, state: Claimed, want: 10},
			{unique: 2, arbitrary: true, address: 11, state: Claimed, want: 11},
			{unique: 3, arbitrary: true, address: 10, late: time.Second, state: Claimed, want: 12},
		}},
		{"the move goes around the end", []dev{
			{unique: 1, arbitrary: true, address: 251, state: Claimed, want: 251},
			{unique: 2, arbitrary: true, address: 251, state: Claimed, want: 0},
		}},
		{"three on one address", []dev{
			{unique: 3, arbitrary: true, address: 0, state: Claimed, want: 2},
			{unique: 1, arbitrary: true, address: 0, state: Claimed, want: 0},
			{unique: 2, arbitrary: true, address: 0, state: Claimed, want: 1},
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var opts []Options
			for _, d := range c.devs {
				opts = append(opts, Options{Name: name(d.unique, d.arbitrary), Address: d.address, Heartbeat: -1})
			}
			b := newBus(opts...)
			for _, late := range []time.Duration{0, time.Second, 2 * time.Second} {
				for i, d := range c.devs {
					if d.late == late {
						b.nodes[i].Start(b.now)
					}
				}
				b.run(time.Second)
			}
			b.run(2 * time.Second)
			for i, d := range c.devs {
				expectAddress(t, b.nodes[i], d.state, d.want)
			}
		})
	}
}

func TestClaimSettles(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		uniques := rapid.SliceOfNDistinct(rapid.Uint32Range(1, 1<<21-1), 2, 40, rapid.ID).Draw(t, "uniques")
		var opts []Options
		for i, u := range uniques {
			opts = append(opts, Options{Name: name(u, true), Address: rapid.Uint8Range(0, 12).Draw(t, "address"), Heartbeat: -1, Seed: uint64(i)})
		}
		b := newBus(opts...)
		order := rapid.Permutation(b.nodes).Draw(t, "order")
		for _, n := range order {
			n.Start(b.now)
			b.run(time.Duration(rapid.IntRange(0, 300).Draw(t, "pause")) * time.Millisecond)
		}
		b.run(30 * time.Second)
		at := map[uint8]pgn.NAME{}
		for _, n := range b.nodes {
			addr, ok := n.Address()
			if !ok {
				t.Fatalf("%s has no address: %v", n.Name(), n.State())
			}
			if other, taken := at[addr]; taken {
				t.Fatalf("address %d: %s and %s", addr, other, n.Name())
			}
			at[addr] = n.Name()
		}
		for _, n := range b.nodes { // whoever left its first address left it to a lower NAME
			addr, _ := n.Address()
			if owner, taken := at[n.opts.Address]; addr != n.opts.Address && (!taken || owner > n.Name()) {
				t.Fatalf("%s wanted %d, has %d, and %s (%v) is at its first", n.Name(), n.opts.Address, addr, owner, taken)
			}
		}
	})
}

func TestClaimTimes(t *testing.T) {
	b := newBus(Options{Name: name(5, true), Address: 10, Transmits: []uint32{127250}})
	n := b.nodes[0]
	n.Start(t0)
	if n.Send(t0.Add(200*time.Millisecond), 2, 127250, pgn.Global, make([]byte, 8)) {
		t.Error("sent data 200 ms after the claim, before 250 ms were over")
	}
	b.run(ClaimWait - time.Millisecond)
	expectAddress(t, n, Claiming, 10)
	b.run(2 * time.Millisecond)
	expectAddress(t, n, Claimed, 10)
}

func TestCannotClaimWaits(t *testing.T) {
	seen := map[time.Duration]bool{}
	for seed := range uint64(40) {
		b := newBus(Options{Name: name(9, false), Address: 10, Seed: seed})
		b.startAll()
		b.run(time.Second)
		lost := b.now
		b.inject(pgn.MakeID(6, 60928, 10, pgn.Global), name(1, false).Append(nil)...)
		b.run(time.Second)
		claims := b.sent(0, 60928)
		last := claims[len(claims)-1]
		delay := last.at.Sub(lost) - frameTime
		if pgn.ID(last.f.ID).Source() != pgn.Null || delay < 0 || delay > 153*time.Millisecond {
			t.Errorf("seed %d: cannot claim from %d after %v, want from 254 within 153 ms", seed, pgn.ID(last.f.ID).Source(), delay)
		}
		seen[delay] = true
	}
	if len(seen) < 20 {
		t.Errorf("only %d different delays in 40", len(seen))
	}
}

func TestRemembersAddress(t *testing.T) {
	b := newBus(Options{Name: name(1, true), Address: 10, Heartbeat: -1}, Options{Name: name(2, true), Address: 10, Heartbeat: -1})
	b.startAll()
	b.run(time.Second)
	expectAddress(t, b.nodes[1], Claimed, 11)
	b.nodes[0].Stop()
	b.nodes[1].Stop()
	b.nodes[1].Start(b.now)
	b.run(time.Second)
	expectAddress(t, b.nodes[1], Claimed, 11) // although 10 is free now
}

func TestSurveyAvoidsContest(t *testing.T) {
	b := newBus(Options{Name: name(500, true), Address: 10, Heartbeat: -1}, Options{Name: name(2, true), Address: 10, Survey: true, Heartbeat: -1})
	b.nodes[0].Start(b.now)
	b.run(time.Second)
	b.nodes[1].Start(b.now)
	b.run(time.Second)
	expectAddress(t, b.nodes[0], Claimed, 10) // has the higher NAME, and is left alone
	expectAddress(t, b.nodes[1], Claimed, 11)
	if r := b.sent(1, 59904); len(r) != 1 || pgn.ID(r[0].f.ID).Source() != pgn.Null {
		t.Errorf("asked for claims %d times, want once from the null address", len(r))
	}
}

func TestCommandedAddress(t *testing.T) {
	b := newBus(Options{Name: name(5, true), Address: 10, Heartbeat: -1}, Options{Name: name(6, true), Address: 20, Heartbeat: -1})
	b.startAll()
	b.run(time.Second)
	if !b.nodes[1].SendISO(b.now, 65240, pgn.Global, append(name(5, true).Append(nil), 33)) {
		t.Fatal("the commanded address was not sent")
	}
	b.run(time.Second)
	expectAddress(t, b.nodes[0], Claimed, 33)
	expectAddress(t, b.nodes[1], Claimed, 20)
}

func TestTwinAndFloodOfClaims(t *testing.T) {
	b := newBus(Options{Name: name(5, true), Address: 10, Heartbeat: -1})
	b.startAll()
	b.run(time.Second)
	b.log = nil
	for range 100 {
		b.inject(pgn.MakeID(6, 60928, 10, pgn.Global), name(5, true).Append(nil)...)
		b.run(10 * time.Millisecond)
	}
	if got := len(b.sent(0, 60928)); got != 0 {
		t.Errorf("answered a twin %d times, want never", got)
	}
	if n := b.nodes[0]; n.Duplicate() == 0 || n.Stats().Duplicates != 100 {
		t.Errorf("twin at %v, %d claims; want them noted", n.Duplicate(), n.Stats().Duplicates)
	}
	b.log = nil
	for range 5000 { // 1000 a second
		b.inject(pgn.MakeID(6, 60928, 10, pgn.Global), name(500, true).Append(nil)...)
		b.now = b.now.Add(time.Millisecond)
	}
	b.run(time.Second)
	if got := len(b.sent(0, 60928)); got < 3 || got > claimBurst+6*claimRate+1 {
		t.Errorf("defended the address %d times in 6 s of a flood, want at least 3 and at most %d", got, claimBurst+6*claimRate+1)
	}
	expectAddress(t, b.nodes[0], Claimed, 10)
}

func TestFullBackbone(t *testing.T) {
	var opts []Options
	for i := range 254 {
		opts = append(opts, Options{Name: name(uint32(i+1), true), Address: uint8(i % 3), Heartbeat: -1, Seed: uint64(i)})
	}
	b := newBus(opts...)
	for _, n := range b.nodes {
		n.Start(b.now)
		b.run(50 * time.Millisecond)
	}
	b.run(60 * time.Second)
	claimed, unclaimed := 0, 0
	for _, n := range b.nodes {
		switch n.State() {
		case Claimed:
			claimed++
		case Unclaimed:
			unclaimed++
		}
	}
	if claimed != 252 || unclaimed != 2 {
		t.Errorf("%d claimed, %d cannot; want 252 and 2", claimed, unclaimed)
	}
}
