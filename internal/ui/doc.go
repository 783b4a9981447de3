// Package ui is what the pages of a boat and of the fleet are made of: widgets, symbols, words, style and script.
package ui
