// Package ui holds the parts of the pages of a boat and of the fleet: widgets, symbols, style and script.
package ui
