// Package pages shows a boat to people: it gives the server of its API the pages.
package pages
