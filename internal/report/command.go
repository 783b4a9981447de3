package report

import (
	"fmt"

	"muster/internal/boat"
)

// CommandWords is in a line who changed what on which device, when, and how that was answered.
func (r *Report) CommandWords(c *boat.RemoteSetting) string {
	words := fmt.Sprintf("%s: %s sets on %s: %s", c.At.UTC().Format("2006-01-02 15:04:05 UTC"), r.deviceWords(c.From, c.FromAddress),
		r.deviceWords(c.To, c.ToAddress), c.What)
	switch c.Outcome {
	case boat.Accepted:
		return words + " – accepted"
	case boat.Refused:
		return words + " – refused: " + c.Why
	}
	return words + " – not answered"
}

func (r *Report) deviceWords(id string, address uint8) string {
	switch d := r.Device(id); {
	case d != nil:
		return d.Label()
	case id == "":
		return fmt.Sprintf("address %d", address)
	}
	return fmt.Sprintf("NAME %s (address %d)", id, address)
}
