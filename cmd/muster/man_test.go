package main

import (
	"flag"
	"os"
	"testing"

	"muster/internal/cli/clitest"
)

var updateMan = flag.Bool("update-man", false, "write the commands of the man page anew")

const manPage = "../../deploy/package/muster.1"

// TestManPage: the man page tells every subcommand and flag that there is, and no other.
func TestManPage(t *testing.T) {
	k, err := (&app{stdout: os.Stdout, stderr: os.Stderr}).parser()
	if err != nil {
		t.Fatal(err)
	}
	clitest.ManPage(t, k, manPage, *updateMan)
}

// TestManPageIsSound: groff reads the page without a warning.
func TestManPageIsSound(t *testing.T) { clitest.Groff(t, manPage) }
