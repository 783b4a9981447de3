package main

import (
	"net"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"muster/internal/sim"
)

// scenarios completes a SCENARIO: the built-in ones, or files.
func scenarios(_ *cobra.Command, args []string, _ string) ([]cobra.Completion, cobra.ShellCompDirective) {
	if len(args) > 0 {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	return sim.Names(), cobra.ShellCompDirectiveDefault
}

// sources completes a SOURCE: what there is on this computer, or files.
func sources(*cobra.Command, []string, string) ([]cobra.Completion, cobra.ShellCompDirective) {
	words := interfaces()
	for _, port := range ports() {
		words = append(words, "serial:"+port+"\tSLCAN adapter", "0183:"+port+"?baud=4800\tNMEA 0183 port")
	}
	for _, name := range sim.Names() {
		words = append(words, "sim:"+name+"\tsimulated boat")
	}
	return words, cobra.ShellCompDirectiveDefault
}

// fileThenSource completes a file, and a SOURCE after it.
func fileThenSource(c *cobra.Command, args []string, prefix string) ([]cobra.Completion, cobra.ShellCompDirective) {
	if len(args) == 0 {
		return nil, cobra.ShellCompDirectiveDefault
	}
	return sources(c, args, prefix)
}

// destinations completes where a simulation can go.
func destinations(*cobra.Command, []string, string) ([]cobra.Completion, cobra.ShellCompDirective) {
	words := append(interfaces(), "udp:", "pty:", "0183+tcp:", "0183+udp:")
	for _, port := range ports() {
		words = append(words, "serial:"+port+"\tSLCAN adapter")
	}
	return words, cobra.ShellCompDirectiveDefault
}

// interfaces are those that carry CAN.
func interfaces() (words []string) {
	const typeCAN = "280" // ARPHRD_CAN of linux/if_arp.h
	all, _ := net.Interfaces()
	for _, i := range all {
		kind, err := os.ReadFile(filepath.Join("/sys/class/net", i.Name, "type"))
		if err == nil && strings.TrimSpace(string(kind)) == typeCAN {
			words = append(words, i.Name+"\tCAN interface")
		}
	}
	return words
}

// ports are serial adapters on USB.
func ports() (all []string) {
	for _, pattern := range []string{"/dev/ttyACM*", "/dev/ttyUSB*"} {
		some, _ := filepath.Glob(pattern)
		all = append(all, some...)
	}
	return all
}
