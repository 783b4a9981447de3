package boat

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

func deviceOf(t *testing.T, r *State, id string) *Device {
	t.Helper()
	for i := range r.Devices {
		if r.Devices[i].ID == id {
			return &r.Devices[i]
		}
	}
	t.Fatalf("no device %s among %d", id, len(r.Devices))
	return nil
}

func TestProvisionalDeviceIsAbsorbed(t *testing.T) {
	w := newWire().every(100*time.Millisecond, 5, 127250, 35, heading...).product(35, "Larkfin LF9 display", "2.1")
	r := w.state()
	d := deviceOf(t, r, "can0/35")
	if d.State != Provisional || d.Name != nil || *d.Address != 35 || d.Product == nil {
		t.Errorf("before the claim: %+v", d)
	}
	w.claim(35, nameHead).every(100*time.Millisecond, 5, 127250, 35, heading...)
	r = w.state()
	if len(r.Devices) != 1 {
		t.Fatalf("%d devices", len(r.Devices))
	}
	d = deviceOf(t, r, nameHead.String())
	if d.State != Present || d.FirstSeen != epoch || d.Product == nil || d.Product.Software != "2.1" || len(d.Software) != 1 {
		t.Errorf("after the claim: %+v", d)
	}
	for _, tr := range d.Transmits {
		if tr.PGN == 127250 && tr.Count != 10 {
			t.Errorf("127250 counted %d times", tr.Count)
		}
	}
}

func TestKnownDeviceAbsorbsItsNewAddress(t *testing.T) {
	w := newWire().claim(35, nameHead).every(100*time.Millisecond, 10, 127250, 35, heading...)
	w.every(100*time.Millisecond, 10, 127250, 40, heading...) // received before the lost claim comes again
	w.claim(40, nameHead)
	r := w.state()
	if len(r.Devices) != 1 {
		t.Fatalf("%d devices", len(r.Devices))
	}
	d := r.Devices[0]
	if *d.Address != 40 || len(d.Addresses) != 2 || d.Restarts != 0 {
		t.Errorf("%+v", d)
	}
	for _, tr := range d.Transmits {
		if tr.PGN == 127250 && (tr.Count != 20 || tr.Interval.Mean != 100) {
			t.Errorf("127250: %d, %+v", tr.Count, tr.Interval)
		}
	}
}

func TestRestarts(t *testing.T) {
	running := func() *wire {
		return newWire().claim(35, nameHead).wait(300*time.Millisecond).every(100*time.Millisecond, 100, 127250, 35, heading...).wait(2 * time.Second)
	}
	for _, tt := range []struct {
		name string
		wire *wire
		want int
	}{
		{"first claim", running(), 0},
		{"claim unasked", running().claim(35, nameHead), 1},
		{"claim amid its messages", running().every(100*time.Millisecond, 10, 127250, 35, heading...).claim(35, nameHead), 0},
		{"claim twice at start", running().claim(35, nameHead).wait(time.Second).claim(35, nameHead), 1},
		{"asked all", running().request(254, 255, pgnClaim).wait(time.Second).claim(35, nameHead), 0},
		{"asked it", running().request(7, 35, pgnClaim).wait(time.Second).claim(35, nameHead), 0},
		{"asked another", running().request(7, 36, pgnClaim).wait(time.Second).claim(35, nameHead), 1},
		{"asked long before", running().request(254, 255, pgnClaim).wait(3*time.Second).claim(35, nameHead), 1},
		{"defends its address", running().claim(35, nameDepth).wait(time.Millisecond).claim(35, nameHead), 0},
		{"silent before, though asked", running().wait(20*time.Second).request(254, 255, pgnClaim).claim(35, nameHead), 1},
		{"silent, no claim", running().wait(20*time.Second).every(100*time.Millisecond, 3, 127250, 35, heading...), 0},
		{"three starts", running().claim(35, nameHead).wait(time.Minute).claim(35, nameHead).wait(time.Minute).claim(35, nameHead), 3},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d := deviceOf(t, tt.wire.state(), nameHead.String())
			if d.Restarts != tt.want || len(d.LastRestarts) != tt.want {
				t.Errorf("%d restarts %v, want %d", d.Restarts, d.LastRestarts, tt.want)
			}
		})
	}
}

func TestSoftwareHistory(t *testing.T) {
	w := newWire().claim(35, nameHead).wait(time.Second).product(35, "Larkfin LF9 display", "2.1")
	first := w.now
	w.wait(time.Minute).product(35, "Larkfin LF9 display", "2.1").wait(time.Minute).product(35, "Larkfin LF9 display", "2.2")
	d := deviceOf(t, w.state(), nameHead.String())
	want := []Software{{"2.1", first}, {"2.2", w.now}}
	if diff := cmp.Diff(want, d.Software); diff != "" {
		t.Error(diff)
	}
	code, edition, level, load := uint16(410), uint16(2100), uint8(1), uint8(2)
	product := &Product{DatabaseVersion: &edition, Code: &code, Model: "Larkfin LF9 display", ModelVersion: "rev B", Serial: "000135",
		Software: "2.2", CertificationLevel: &level, LoadEquivalency: &load}
	if diff := cmp.Diff(product, d.Product); diff != "" {
		t.Error(diff)
	}
}

func TestProductWithNothingAvailable(t *testing.T) {
	p := make([]byte, productLength)
	for i := range p {
		p[i] = 0xFF
	}
	d := deviceOf(t, newWire().claim(35, nameHead).send(pgnProduct, 35, pgn.Global, p...).state(), nameHead.String())
	if diff := cmp.Diff(&Product{}, d.Product); diff != "" || d.Software != nil {
		t.Error(diff, d.Software)
	}
}

func TestConfigurationAndLists(t *testing.T) {
	text := func(s string) []byte { return append([]byte{byte(len(s) + 2), 1}, s...) }
	config := append(append(text("Flybridge"), text("")...), text("Larkfin Marine")...)
	w := newWire().claim(35, nameHead).send(pgnConfiguration, 35, 255, config...)
	w.send(pgnList, 35, 255, 0, 0x12, 0xF1, 0x01, 0x10, 0xF0, 0x01).send(pgnList, 35, 255, 1, 0x0B, 0xF5, 0x01)
	d := deviceOf(t, w.state(), nameHead.String())
	if diff := cmp.Diff(&Installation{Description1: "Flybridge", ManufacturerInformation: "Larkfin Marine"}, d.Installation); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff([][]uint32{{126992, 127250}, {128267}}, [][]uint32{d.Declares, d.Receives}); diff != "" {
		t.Error(diff)
	}
}

func TestUnanswered(t *testing.T) {
	nak := []byte{1, 0xFF, 0xFF, 0xFF, 0xFF, 0x14, 0xF0, 0x01}
	w := newWire().claim(35, nameHead).send(pgnAck, 35, 7, nak...)
	if d := deviceOf(t, w.state(), nameHead.String()); d.Unanswered == "" {
		t.Error("refusal not noted")
	}
	if d := deviceOf(t, w.product(35, "m", "1").state(), nameHead.String()); d.Unanswered != "" {
		t.Errorf("still %q", d.Unanswered)
	}
	b := w.feed(Options{})
	b.GaveUp(0, nameHead, "no answer to 5 requests")
	if d := deviceOf(t, b.State(), nameHead.String()); d.Unanswered != "no answer to 5 requests" {
		t.Errorf("%q", d.Unanswered)
	}
}

func TestInvalidManagementMessages(t *testing.T) {
	w := newWire().send(pgnClaim, 35, 255, 1, 2, 3).send(pgnClaim, 254, 255, 1).send(pgnRequest, 35, 255, 1, 2).
		send(pgnAck, 35, 255, 1).send(pgnProduct, 35, 255, 1, 2, 3, 4, 5, 6, 7, 8, 9).send(pgnList, 35, 255, 2, 1, 2, 3).
		send(pgnClaim, 255, 255, 1, 2, 3, 4, 5, 6, 7, 8)
	if got := w.state().Networks[0].Faults.InvalidMessages; got != 7 {
		t.Errorf("%d invalid, want 7", got)
	}
}

func TestOwnDevice(t *testing.T) {
	r := newWire().claim(35, nameHead).claim(36, nameDepth).feed(Options{Own: []pgn.NAME{nameDepth}}).State()
	if deviceOf(t, r, nameHead.String()).Own || !deviceOf(t, r, nameDepth.String()).Own {
		t.Error("own device not told apart")
	}
}

func TestOnMessage(t *testing.T) {
	var got []string
	w := newWire().every(0, 1, 127250, 35, heading...).claim(35, nameHead).product(35, "m", "1")
	var sent event.Time
	w.feed(Options{OnMessage: func(m *transport.Message, by *Sender) {
		got = append(got, by.ID)
		sent = m.Time
	}})
	if diff := cmp.Diff([]string{"can0/35", nameHead.String(), nameHead.String()}, got); diff != "" || sent != w.now {
		t.Error(diff, sent)
	}
}
