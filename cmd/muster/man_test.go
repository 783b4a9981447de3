package main

import (
	"flag"
	"testing"

	"muster/internal/cli/clitest"
)

var updateMan = flag.Bool("update-man", false, "write the commands of the man page anew")

const manPage = "../../deploy/package/muster.1"

// TestManPage: the man page tells every subcommand and flag that there is, and no other.
func TestManPage(t *testing.T) {
	clitest.ManPage(t, (&app{}).program(), manPage, *updateMan)
}

// TestManPageIsSound: groff reads the page without a warning.
func TestManPageIsSound(t *testing.T) { clitest.Groff(t, manPage) }
