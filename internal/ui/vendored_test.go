package ui

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"testing"
)

// TestVendored: the library of the pictures is the one that was looked at, with its licence.
func TestVendored(t *testing.T) {
	for file, want := range map[string]string{
		"static/uplot.js":  "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f",
		"static/uplot.css": "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04",
	} {
		text, err := staticFiles.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if sum := sha256.Sum256(text); hex.EncodeToString(sum[:]) != want {
			t.Errorf("%s has the digest %x", file, sum)
		}
	}
	licence, err := staticFiles.ReadFile("static/uplot.LICENSE.txt")
	if err != nil || !strings.Contains(string(licence), "Permission is hereby granted, free of charge") {
		t.Error(err, string(licence))
	}
}
