//go:build !unix

package main

// giveLike gives a file the owner of another: here it has it already.
func giveLike(_, _ string) error { return nil }
