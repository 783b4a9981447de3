package main

import (
	"net"
	"os"
	"path/filepath"
	"strings"

	"muster/internal/cli"
	"muster/internal/sim"
)

// scenarios are the built-in ones, beside files, for completion.
func scenarios(prefix string) (words []string, files bool) {
	return append(sim.Names(), cli.FilesNamed(prefix)...), true
}

// sources are what a SOURCE can be on this machine, for completion.
func sources(prefix string) (words []string, files bool) {
	words = interfaces()
	for _, port := range ports() {
		words = append(words, "serial:"+port+"\tSLCAN adapter", "0183:"+port+"?baud=4800\tNMEA 0183 port")
	}
	for _, name := range sim.Names() {
		words = append(words, "sim:"+name+"\tsimulated boat")
	}
	return append(words, cli.FilesNamed(prefix)...), true
}

// destinations are where a simulation can go, for completion.
func destinations(prefix string) (words []string, files bool) {
	words = append(interfaces(), "udp:", "pty:", "0183+tcp:", "0183+udp:")
	for _, port := range ports() {
		words = append(words, "serial:"+port+"\tSLCAN adapter")
	}
	return append(words, cli.FilesNamed(prefix)...), true
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
