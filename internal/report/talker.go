package report

import (
	"time"

	"muster/internal/boat"
	"muster/internal/event"
)

// ID names the talker within the boat: its network and its letters, as in "ttyUSB0/GP".
func (t *Talker) ID() string { return t.Network + "/" + t.Talker }

// Label is a name of the talker for people: "GP on ttyUSB0", and its model when it reported that.
func (t *Talker) Label() string { return boat.TalkerLabel(t.Network, t.Talker, t.Identity) }

// Role is what equipment with the talker's letters does aboard.
func (t *Talker) Role() boat.Role { return boat.TalkerRole(t.Talker) }

// Last is when the talker last sent; 0 in a report that was read.
func (t *Talker) Last() event.Time {
	if t.Live == nil {
		return 0
	}
	return t.Live.Last
}

// State is silent when nothing was received of the talker for a minute before now, or when the time of receipt is
// unknown.
func (t *Talker) State(now event.Time) boat.DeviceState {
	if now.Sub(t.Last()) > time.Minute {
		return boat.Silent
	}
	return boat.Present
}

// Device shows a talker that reported its identity as a device, for users of software and models. It has no NAME, so
// its manufacturer has no code. A talker without an identity gives false.
func (t *Talker) Device(now event.Time) (Device, bool) {
	name, product, ok := t.Identity.Product()
	return Device{ID: t.ID(), Network: t.Network, Talker: t.Talker, State: t.State(now), Role: t.Role(),
		LastSeen: t.Last(),
		Software: t.Software, Name: name, Product: product}, ok
}

// Sends reports whether the talker sends the quantity, with a value or without, and the sentences it sends it in.
func (t *Talker) Sends(q boat.Quantity) (sentences []Sentence, ok bool) {
	for _, s := range t.Sentences {
		if q.SentIn(s.Formatter) {
			sentences = append(sentences, s)
		}
	}
	return sentences, len(sentences) > 0
}

// Sent reports whether the sentence came within the last minute. Only a running model has this.
func (s *Sentence) Sent(now event.Time) bool {
	return s.Live != nil && now.Sub(s.Live.Last) <= boat.StillSent
}
