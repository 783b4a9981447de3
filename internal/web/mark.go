package web

import (
	"fmt"
	"html/template"
)

// shapes are the symbols beside words: each state has a shape of its own, so that no state is told by colour alone.
var shapes = map[string]template.HTML{
	"present":     `<circle cx="8" cy="8" r="7" fill="currentColor"/><path class="cut" d="m4.6 8.3 2.3 2.4 4.5-5"/>`,
	"silent":      `<circle cx="8" cy="8" r="6.2"/><path d="M8 1.8a6.2 6.2 0 0 1 0 12.4z" fill="currentColor"/>`,
	"gone":        `<circle cx="8" cy="8" r="6.2"/><path d="m5.4 5.4 5.2 5.2m0-5.2-5.2 5.2"/>`,
	"no-address":  `<path d="M8 1.8 15 14H1z"/><path d="M8 6v4m0 1.4v1.2"/>`,
	"provisional": `<path d="m8 1.2 6.8 6.8L8 14.8 1.2 8z"/><path d="M6.2 6.4C6.4 4.4 9.8 4.6 9.6 6.6 9.5 7.8 8 7.8 8 9.2m0 1v1.4"/>`,
	"critical":    `<path d="M5.1 1h5.8L15 5.1v5.8L10.9 15H5.100L1 10.900V5.100z" fill="currentColor"/><path class="cut" d="M8 4v5m0 1.600v1.6"/>`,
	"warning":     `<path d="M8 1.2 15.4 14.600H.600z" fill="currentColor"/><path class="cut" d="M8 6v4.200m0 1.200v1.5"/>`,
	"info":        `<rect x="1.8" y="1.8" width="12.4" height="12.4"/><path d="M8 7v5M8 4v1.6"/>`,
	"waiting":     `<circle cx="8" cy="8" r="6.2" stroke-dasharray="2.5 2"/>`,
	"left":        `<circle cx="8" cy="8" r="6.2"/><path d="M8 11.500v-7m-3 3 3-3 3 3"/>`,
	"back":        `<circle cx="8" cy="8" r="6.2"/><path d="M8 4.500v7m-3-3 3 3 3-3"/>`,
	"identified":  `<circle cx="8" cy="8" r="6.2"/><circle cx="8" cy="8" r="2.6" fill="currentColor"/>`,
	"none":        `<path d="M2 8h12"/>`,
	"two":         `<path d="M2 4h5l3 4h4M2 12h5l3-4"/>`,
}

// alike are states that share the shape of another.
var alike = map[string]string{"verified": "present", "failed": "gone", "passed": "present", "unknown": "provisional", "one": "present", "well": "present",
	"quiet": "waiting", "stopped": "silent", "covered": "present", "missing": "gone", "contested": "two", "slow": "silent", "elsewhere": "back"}

// mark draws the symbol of a state; the word always stands beside it.
func mark(state any) template.HTML {
	name := fmt.Sprint(state)
	if other, ok := alike[name]; ok {
		name = other
	}
	shape, ok := shapes[name]
	if !ok {
		return ""
	}
	return `<svg class="mark" viewBox="0 0 16 16" aria-hidden="true">` + shape + `</svg>`
}
