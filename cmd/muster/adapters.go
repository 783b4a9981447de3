package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/tap"
)

// sysfs is where the kernel shows its devices.
const sysfs = "/sys"

// attached is something connected, with the SOURCE to write for it.
type attached struct {
	Name    string     `json:"name"`
	Device  string     `json:"device,omitempty"`
	Driver  string     `json:"driver,omitempty"`
	State   string     `json:"state,omitempty"`
	Sources []spelling `json:"sources"`
}

// spelling is a SOURCE, and what it is for where there are several.
type spelling struct {
	Source string `json:"source"`
	For    string `json:"for,omitempty"`
}

func newAdapters(a *app) *cobra.Command {
	format := "text"
	cmd := &cobra.Command{
		Use: "adapters", Short: "List what is connected, with the SOURCE to write for each",
		Long: "List the CAN interfaces and serial ports of this computer, with the SOURCE to write for each. Nothing is opened.",
		Example: `  muster adapters
  muster adapters --format json`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return a.adapters(format) },
	}
	cli.Choice(cmd, &format, "format", "text", "`FORMAT` of the result", "text", "json")
	return cmd
}

func (a *app) adapters(format string) error {
	interfaces, err := tap.CANInterfaces(sysfs)
	if err != nil {
		return err
	}
	ports, err := tap.SerialPorts()
	if err != nil {
		return err
	}
	list := connected(interfaces, ports)
	if format == "json" {
		e := json.NewEncoder(a.stdout)
		e.SetIndent("", "  ")
		return e.Encode(list)
	}
	return printAdapters(a.stdout, list)
}

// connected are the interfaces and ports in their order. It is never nil.
func connected(interfaces []tap.CANInterface, ports []tap.SerialPort) []attached {
	list := []attached{}
	for _, c := range interfaces {
		list = append(list, attached{Name: c.Name, Device: c.Device, Driver: c.Driver, State: interfaceWords(c),
			Sources: []spelling{{Source: c.Name}}})
	}
	for _, p := range ports {
		list = append(list, attached{Name: p.Name, Device: p.Device, Sources: []spelling{
			{"serial:" + p.Name, "a serial CAN adapter (SLCAN)"}, {"0183:" + p.Name, "NMEA 0183"}}})
	}
	return list
}

// interfaceWords are how a CAN interface is set up.
func interfaceWords(c tap.CANInterface) string {
	words := []string{"down"}
	if c.Up {
		words[0] = "up"
	}
	if c.BitRate > 0 {
		words = append(words, bitRateWords(c.BitRate))
	}
	if c.Listen {
		words = append(words, "listen-only")
	}
	if c.State != "" && c.Up {
		words = append(words, c.State)
	}
	return strings.Join(words, ", ")
}

// bitRateWords are a bit rate in kbit/s.
func bitRateWords(rate uint32) string { return fmt.Sprintf("%g kbit/s", float64(rate)/1000) }

func printAdapters(w io.Writer, list []attached) error {
	if len(list) == 0 {
		_, err := fmt.Fprintln(w, "No CAN interface and no serial port was found. Connect the adapter. "+
			"For a CAN HAT, see muster help boat-computer")
		return err
	}
	for _, c := range list {
		about := []string{}
		for _, text := range []string{c.State, c.Driver, c.Device} {
			if text != "" {
				about = append(about, text)
			}
		}
		if _, err := fmt.Fprintf(w, "%s  %s\n", c.Name, boat.Printable(strings.Join(about, ", "))); err != nil {
			return err
		}
		for _, s := range c.Sources {
			text := "  SOURCE " + s.Source
			if s.For != "" {
				text += "  for " + s.For
			}
			fmt.Fprintln(w, text)
		}
	}
	return nil
}
