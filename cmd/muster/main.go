// Command muster lists the units of a boat's electronics: every device, its software version and what does not match.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() { os.Exit(run()) }

func run() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	a := &app{stdin: os.Stdin, stdout: os.Stdout, stderr: os.Stderr}
	return a.run(ctx, os.Args[1:])
}
