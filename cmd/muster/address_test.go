package main

import (
	"strings"
	"testing"

	"rsc.io/qr"
)

// TestWriteQR: the letters of the terminal hold every module of the code, with an empty border.
func TestWriteQR(t *testing.T) {
	const text = "http://192.0.2.7:8632/login?once=ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	var b strings.Builder
	if err := writeQR(&b, text); err != nil {
		t.Fatal(err)
	}
	code, err := qr.Encode(text, qr.L)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
	for i, line := range lines {
		line = strings.TrimSuffix(strings.TrimPrefix(line, "\x1b[30;107m"), "\x1b[0m")
		for j, letter := range []rune(line) {
			x, y := j-quiet, 2*i-quiet
			if top, bottom := letter == '█' || letter == '▀', letter == '█' || letter == '▄'; top != code.Black(x, y) || bottom != code.Black(x, y+1) {
				t.Fatalf("%q at %d, %d", letter, x, y)
			}
		}
	}
	if len(lines) < (code.Size+2*quiet)/2 {
		t.Errorf("%d lines for %d modules", len(lines), code.Size)
	}
	if err := writeQR(&b, strings.Repeat("x", 5000)); err == nil {
		t.Error("a text that has no room is written")
	}
}

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
