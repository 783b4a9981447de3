package main

import (
	"fmt"
	"net"
	"net/url"
	"os"
	"time"

	"golang.org/x/term"

	"muster/internal/daemon"
	"muster/internal/render"
)

// signInWithin is how long the one-time link holds.
const signInWithin = 10 * time.Minute

// showAddress shows the address of the pages for a phone, as a code that it scans; where a token is required the code signs in one phone, once.
// It writes to a terminal only.
func (a *app) showAddress(d *daemon.Daemon) {
	f, ok := a.stdout.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) || d.Server() == nil {
		return
	}
	to, err := url.Parse(d.URL())
	if err != nil {
		return
	}
	if to.Host = reachable(to.Host); to.Host == "" {
		fmt.Fprintln(a.stdout, "Only this computer can open this address. For phones, give muster run a token_file and --listen 0.0.0.0:8632.")
		return
	}
	words := "For a phone: " + to.String()
	if once := d.Server().SignInOnce(signInWithin); once != "" {
		to.Path, to.RawQuery = "/login", "once="+once
		words = fmt.Sprintf("Scan this with one phone within %d minutes to sign in:", int(signInWithin.Minutes()))
	}
	fmt.Fprintln(a.stdout, words)
	if err := render.WriteCode(a.stdout, to.String()); err != nil {
		fmt.Fprintln(a.stderr, "QR code:", err)
	}
}

// reachable is an address of a listener as other computers reach it: of a listener on all addresses, the first of this computer;
// "" when only this computer can.
func reachable(listener string) string {
	host, port, err := net.SplitHostPort(listener)
	if err != nil {
		return ""
	}
	ip := net.ParseIP(host)
	switch {
	case host == "localhost" || ip != nil && ip.IsLoopback():
		return ""
	case ip == nil || !ip.IsUnspecified():
		return listener
	}
	all, _ := net.InterfaceAddrs() // none without
	for _, at := range all {
		if n, ok := at.(*net.IPNet); ok && n.IP.To4() != nil && n.IP.IsGlobalUnicast() {
			return net.JoinHostPort(n.IP.String(), port)
		}
	}
	return ""
}
