package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/tap"
)

// networkRate is the bit rate of NMEA 2000.
const networkRate = 250_000

// sourceSymptoms look at a source, and listen to it where it can be opened.
func (a *app) sourceSymptoms(s config.Source, interfaces []tap.CANInterface, listen time.Duration) []symptom {
	scheme, rest, _ := strings.Cut(s.Source, ":")
	path, _, _ := strings.Cut(rest, "?")
	var list []symptom
	switch {
	case slices.Contains([]string{"serial", "0183"}, scheme):
		list = portSymptoms(path)
	case scheme == "socketcan", isInterface(s.Source, interfaces):
		list = canSymptoms(strings.TrimPrefix(s.Source, "socketcan:"), interfaces, s.Ask)
	}
	if !slices.ContainsFunc(list, func(x symptom) bool { return x.State == stateFault }) {
		list = append(list, a.listened(s.Source, listen))
	}
	for i := range list {
		list[i].About = s.Source
	}
	return list
}

// isInterface reports whether a source is written as the name of an interface: one that is there, or one that could be.
func isInterface(source string, interfaces []tap.CANInterface) bool {
	if slices.ContainsFunc(interfaces, func(c tap.CANInterface) bool { return c.Name == source }) {
		return true
	}
	id, known := tap.Backbone(source)
	return known && id == source && !strings.Contains(source, ":")
}

// canSymptoms look at a CAN interface as the kernel shows it.
func canSymptoms(name string, interfaces []tap.CANInterface, ask bool) []symptom {
	at := slices.IndexFunc(interfaces, func(c tap.CANInterface) bool { return c.Name == name })
	if at < 0 {
		return []symptom{{What: "interface", State: stateFault, Found: "there is no CAN interface " + name,
			Remedy: []string{"Connect the adapter, then: muster adapters", "sudo modprobe can-raw", "muster help boat-computer"}}}
	}
	c := interfaces[at]
	driver := symptom{What: "driver", State: stateOK, Found: strings.TrimSuffix(c.Driver+", "+c.Device, ", ")}
	if c.Driver == "" {
		driver.State, driver.Found = stateInfo, "none: "+c.Kind
	}
	list := []symptom{driver}
	up := "sudo ip link set " + name + " up"
	mode := "on"
	if ask {
		mode = "off"
	}
	set := fmt.Sprintf("%s type can bitrate %d listen-only %s restart-ms 1000", up, networkRate, mode)
	down := "sudo ip link set " + name + " down"
	if c.Kind != "can" {
		set = up
	}
	switch {
	case !c.Up:
		return append(list, symptom{What: "interface", State: stateFault, Found: "it is down", Remedy: []string{set}})
	case c.Kind != "can":
		return append(list, symptom{What: "interface", State: stateOK, Found: "up; a " + c.Kind + " interface has no bit rate of its own"})
	}
	list = append(list, symptom{What: "interface", State: stateOK, Found: "up"}, rateSymptom(c, down, set), modeSymptom(c, ask, down, set),
		controllerSymptom(c, down, set))
	return append(list, counterSymptom(c))
}

func rateSymptom(c tap.CANInterface, down, set string) symptom {
	s := symptom{What: "bit rate", State: stateOK, Found: bitRateWords(c.BitRate)}
	if c.BitRate != networkRate {
		s.State, s.Remedy = stateFault, []string{down, set}
		s.Found += "; NMEA 2000 runs at " + bitRateWords(networkRate)
	}
	return s
}

func modeSymptom(c tap.CANInterface, ask bool, down, set string) symptom {
	switch {
	case c.Listen && ask:
		return symptom{What: "mode", State: stateFault, Found: "listen-only, so nothing can be asked", Remedy: []string{down, set}}
	case c.Listen:
		return symptom{What: "mode", State: stateOK, Found: "listen-only: the controller sends nothing"}
	case ask:
		return symptom{What: "mode", State: stateOK, Found: "it can send"}
	}
	return symptom{What: "mode", State: stateInfo, Found: "not listen-only: the controller acknowledges frames. To send nothing at all:",
		Remedy: []string{down, set}}
}

func controllerSymptom(c tap.CANInterface, down, set string) symptom {
	s := symptom{What: "state", State: stateOK, Found: c.State}
	switch c.State {
	case "":
		s.State, s.Found = stateInfo, "the driver does not show it"
	case "error-passive", "bus-off", "stopped":
		s.State = stateFault
		s.Remedy = []string{"Check the drop cable, both terminators and the bit rate of the network", down, set}
	}
	return s
}

func counterSymptom(c tap.CANInterface) symptom {
	s := symptom{What: "counters", State: stateOK, Found: fmt.Sprintf("%d frames received, %d lost, %d bus errors, bus-off %d times",
		c.Frames, c.Lost, c.BusErrors, c.BusOffs)}
	if c.Lost > 0 || c.BusOffs > 0 {
		s.State = stateInfo
	}
	if c.Lost > 0 {
		s.Remedy = []string{"sudo sysctl net.core.rmem_max=8388608"}
	}
	return s
}

// portSymptoms look at a serial port.
func portSymptoms(path string) []symptom {
	s := symptom{What: "port", State: stateOK, Found: path}
	f, err := os.OpenFile(path, os.O_RDWR|openPlain, 0)
	switch {
	case err == nil:
		f.Close()
	case errors.Is(err, fs.ErrNotExist):
		s.State, s.Found = stateFault, "there is no port "+path
		s.Remedy = []string{"Connect the adapter, then: muster adapters"}
	case errors.Is(err, fs.ErrPermission):
		s.What, s.State, s.Found = "permission", stateFault, "you may not open "+path
		s.Remedy = []string{`sudo adduser "$USER" dialout`, "Sign out and in again"}
	}
	return []symptom{s}
}

// listened opens a source as every command does, listens for a time, and reports how much came.
func (a *app) listened(source string, listen time.Duration) symptom {
	s := symptom{What: "traffic", State: stateOK}
	src, err := a.opener(true)(source, false)
	if err != nil {
		s.State, s.Found = stateFault, err.Error()
		s.Remedy = []string{"muster adapters"}
		return s
	}
	stop := time.AfterFunc(listen, func() { src.Close() })
	defer stop.Stop()
	defer src.Close()
	frames, lines, lost := 0, 0, ""
	for events := make([]event.Event, 256); ; {
		n, err := src.Read(events)
		for _, e := range events[:n] {
			switch e.Kind {
			case event.KindFrame:
				frames++
			case event.KindLine:
				lines++
			case event.KindDown:
				lost = string(e.Line)
			}
		}
		if err != nil {
			break
		}
	}
	s.Found = fmt.Sprintf("%s and %s in %v", number(frames, "frame"), number(lines, "line"), listen)
	if lost != "" {
		s.Found += "; the source was lost: " + lost
	}
	if frames+lines == 0 {
		s.State = stateFault
		s.Remedy = []string{"Check that network power is on and that a device sends", "Check the drop cable of " + filepath.Base(source)}
	}
	return s
}
