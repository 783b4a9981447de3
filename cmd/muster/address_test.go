package main

import (
	"strings"
	"testing"
)

func TestReachable(t *testing.T) {
	for listener, want := range map[string]string{"127.0.0.1:8632": "", "[::1]:8632": "", "localhost:1": "", "192.0.2.7:8632": "192.0.2.7:8632", "boat.example:80": "boat.example:80", "x": ""} {
		if got := reachable(listener); got != want {
			t.Errorf("%s: %q, want %q", listener, got, want)
		}
	}
	if got := reachable("[::]:8632"); got != "" && (!strings.HasSuffix(got, ":8632") || strings.HasPrefix(got, "127.")) {
		t.Errorf("all addresses: %q", got)
	}
}
