package render

import (
	"muster/internal/boat"
	"muster/internal/event"
)

// boatName is "Wagtail (wagtail)", with what is known of the two.
func boatName(b boat.Identity) string {
	switch {
	case b.Name != "" && b.ID != "":
		return b.Name + " (" + b.ID + ")"
	case b.Name != "":
		return b.Name
	}
	return b.ID
}

// minute and second are moments as people read them; JSON has the source's own precision.
func minute(t event.Time) string { return moment(t, "2006-01-02 15:04 UTC") }

func second(t event.Time) string { return moment(t, "2006-01-02 15:04:05 UTC") }

func moment(t event.Time, form string) string {
	if t == 0 {
		return "time unknown"
	}
	return t.UTC().Format(form)
}

func devices(n int) string { return boat.Counted(n, "device", "devices") }
