package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/alecthomas/kong"
)

type versionCmd struct{}

func (versionCmd) Run(a *app) error {
	_, err := fmt.Fprintln(a.stdout, versionLine())
	return err
}

// showVersion is the flag --version.
type showVersion bool

// BeforeReset runs before the other arguments are looked at.
func (showVersion) BeforeReset(k *kong.Kong, a *app) error {
	_, err := fmt.Fprintln(a.stdout, versionLine())
	k.Exit(exitDone)
	return err
}

// buildVersion is the module's version, or the commit of a build from a working tree.
func buildVersion() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	version := info.Main.Version
	if version != "" && version != "(devel)" {
		return version
	}
	version = "devel"
	dirty := ""
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			version = "devel-" + s.Value[:min(12, len(s.Value))]
		case "vcs.modified":
			if s.Value == "true" {
				dirty = "+changes"
			}
		}
	}
	return version + dirty
}

func versionLine() string {
	return fmt.Sprintf("muster %s %s %s/%s", buildVersion(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
}
