package nmea0183

// Where a reader names no source, its form is that of the gpsd NMEA page, and go-nmea is held to agree with it in the
// tests.

// plainVBW reads speed through water along the keel, across it, status, and the same over ground: along the keel only,
// so that is no speed over ground.
func plainVBW(r *plain) {
	speed, ok := r.number(0)
	r.value(SpeedThroughWater, Water, speed*knot, r.valid(2) && ok)
}

// plainVLW reads distance through water, N, the same since reset, N, and from edition 3.0 on the same over ground.
func plainVLW(r *plain) {
	for i, ref := range [...]Reference{Water, Ground} {
		if i > 0 && r.s.NumFields() <= 4 {
			return
		}
		total, ok := r.lettered(4*i, 'N')
		r.value(DistanceLog, ref, total*nauticalMile, ok)
		trip, ok := r.lettered(4*i+2, 'N')
		r.value(TripLog, ref, trip*nauticalMile, ok)
	}
}

// plainVDR reads set, T, set, M, drift, N.
func plainVDR(r *plain) {
	r.bothNorths(CurrentSet, 0)
	drift, ok := r.lettered(4, 'N')
	r.value(CurrentDrift, ReferenceNone, drift*knot, ok)
}

// plainMWV reads wind angle from the bow, R apparent or T true, speed, its unit, status.
func plainMWV(r *plain) {
	ref, unit := ReferenceNone, 0.0
	switch r.letter(1) {
	case 'R':
		ref = Apparent
	case 'T':
		ref = Theoretical
	default:
		r.bad = r.bad || r.s.Has(1)
	}
	switch r.letter(3) {
	case 'K':
		unit = kmh
	case 'M':
		unit = 1
	case 'N':
		unit = knot
	case 'S':
		unit = statuteMile / 3600
	default:
		r.bad = r.bad || r.s.Has(3)
	}
	known := r.valid(4) && ref != ReferenceNone
	angle, ok := r.number(0)
	r.angle(WindAngle, ref, angle, known && ok)
	speed, ok := r.number(2)
	r.value(WindSpeed, ref, speed*unit, known && ok && unit > 0)
}

// plainMWD reads wind direction, T, direction, M, speed, N, speed, M for metres a second.
func plainMWD(r *plain) {
	r.bothNorths(WindAngle, 0)
	speed, ok := r.anySpeed(speedAt{6, 'M'}, speedAt{4, 'N'})
	r.value(WindSpeed, Ground, speed, ok)
}

// plainVWR reads apparent wind angle, L or R of the bow, speed, N, speed, M, speed, K.
func plainVWR(r *plain) { r.oldWind(Apparent) }

// plainVWT reads true wind likewise.
func plainVWT(r *plain) { r.oldWind(Theoretical) }

func (r *plain) oldWind(ref Reference) {
	angle, ok := r.number(0)
	switch side := r.letter(1); {
	case side == 'L':
		angle = -angle
	case side != 'R':
		r.bad = r.bad || r.s.Has(1)
		ok = ok && angle == 0 && !r.s.Has(1) // dead ahead needs no side
	}
	r.angle(WindAngle, ref, angle, ok)
	speed, ok := r.anySpeed(speedAt{2, 'N'}, speedAt{4, 'M'}, speedAt{6, 'K'})
	r.value(WindSpeed, ref, speed, ok)
}

// plainMTW reads water temperature, C.
func plainMTW(r *plain) { r.celsius(WaterTemperature, 0) }

// plainMTA reads air temperature, C.
func plainMTA(r *plain) { r.celsius(AirTemperature, 0) }

// plainMDA reads pressure, I, pressure, B, air temperature, C, water temperature, C, relative humidity, absolute
// humidity, dew point, C, wind direction, T, direction, M, speed, N, speed, M for metres a second.
func plainMDA(r *plain) {
	pressure, ok := r.lettered(2, 'B')
	pressure *= bar
	if !ok {
		pressure, ok = r.lettered(0, 'I')
		pressure *= inchMercury
	}
	r.value(Pressure, ReferenceNone, pressure, ok)
	r.celsius(AirTemperature, 4)
	r.celsius(WaterTemperature, 6)
	humidity, ok := r.number(8)
	r.value(Humidity, ReferenceNone, humidity, ok)
	r.bothNorths(WindAngle, 12)
	speed, ok := r.anySpeed(speedAt{18, 'M'}, speedAt{16, 'N'})
	r.value(WindSpeed, Ground, speed, ok)
}

// plainMMB reads pressure in inches of mercury, I, in bar, B (from memory).
func plainMMB(r *plain) {
	pressure, ok := r.number(2)
	pressure *= bar
	if !ok {
		pressure, ok = r.number(0)
		pressure *= inchMercury
	}
	r.value(Pressure, ReferenceNone, pressure, ok)
}

// plainMHU reads relative humidity in per cent, absolute humidity, dew point, C (from memory).
func plainMHU(r *plain) {
	humidity, ok := r.number(0)
	r.value(Humidity, ReferenceNone, humidity, ok)
}

// plainRPM reads E engine or S shaft, its number, revolutions a minute, pitch, status. A shaft's speed is not the
// engine's.
func plainRPM(r *plain) {
	if source := r.letter(0); source != 'E' {
		r.bad = r.bad || source != 'S' && r.s.Has(0)
		return
	}
	engine, known := r.whole(1, 0, 253)
	speed, ok := r.number(2)
	status := !r.s.Has(4) || r.valid(4)
	r.put(Reading{Quantity: EngineSpeed, Instance: uint8(engine), Value: speed, Available: ok && known && status})
}

// plainRSA reads starboard or single rudder angle, status, port angle, status (gpsd NMEA page); the second pair may be
// missing.
func plainRSA(r *plain) {
	for i := range 2 {
		if i == 1 && r.s.NumFields() < 3 {
			return
		}
		angle, ok := r.number(2 * i)
		if ok && (angle < -180 || angle > 180) {
			r.bad, ok = true, false
		}
		r.put(Reading{Quantity: RudderAngle, Instance: uint8(i), Value: angle * radian, Available: ok && r.valid(2*i+1)})
	}
}

// plainXDR reads groups of a transducer's type, value, unit and name. Those whose names are in common use (common
// practice, no source) are taken; names are free text, so the others are left alone.
func plainXDR(r *plain) {
	n := r.s.NumFields()
	if n%4 != 0 {
		r.bad = true
	}
	for i := 0; i+4 <= n; i += 4 {
		value, ok := r.number(i + 1)
		name := r.s.Field(i + 3)
		switch kind, unit := r.letter(i), r.letter(i+2); {
		case kind == 'A' && unit == 'D' && (holds(name, "PTCH") || holds(name, "PITCH")):
			r.value(Pitch, ReferenceNone, value*radian, ok)
		case kind == 'A' && unit == 'D' && (holds(name, "ROLL") || holds(name, "HEEL")):
			r.value(Roll, ReferenceNone, value*radian, ok)
		case kind == 'C' && unit == 'C' && (holds(name, "WATER") || holds(name, "WTMP")):
			r.value(WaterTemperature, ReferenceNone, value+zeroCelsius, ok)
		case kind == 'C' && unit == 'C' && (holds(name, "AIR") || holds(name, "OUTSIDE")):
			r.value(AirTemperature, ReferenceNone, value+zeroCelsius, ok)
		case kind == 'P' && unit == 'B' && holds(name, "BARO"):
			r.value(Pressure, ReferenceNone, value*bar, ok)
		case kind == 'P' && unit == 'P' && holds(name, "BARO"):
			r.value(Pressure, ReferenceNone, value, ok)
		case kind == 'H' && unit == 'P' && (holds(name, "AIR") || holds(name, "HUMI") || holds(name, "OUTSIDE")):
			r.value(Humidity, ReferenceNone, value, ok)
		}
	}
}

// holds reports whether a name has the part, which is in capitals, in it in either case.
func holds(name []byte, part string) bool {
	for ; len(name) >= len(part); name = name[1:] {
		i := 0
		for i < len(part) && upper(name[i]) == part[i] {
			i++
		}
		if i == len(part) {
			return true
		}
	}
	return false
}

// lettered reads a number whose unit's letter follows it; an empty letter is let pass.
func (r *plain) lettered(i int, letter byte) (float64, bool) {
	x, ok := r.number(i)
	return x, ok && (!r.s.Has(i+1) || r.is(i+1, letter))
}

// valid reads a status letter: A is valid, V and none are not.
func (r *plain) valid(i int) bool {
	letter := r.letter(i)
	r.bad = r.bad || letter != 'A' && letter != 'V' && r.s.Has(i)
	return letter == 'A'
}

// celsius appends a temperature in degrees, C.
func (r *plain) celsius(q Quantity, i int) {
	x, ok := r.lettered(i, 'C')
	r.value(q, ReferenceNone, x+zeroCelsius, ok)
}

// bothNorths appends a direction, T, and the same, M, from field i on.
func (r *plain) bothNorths(q Quantity, i int) {
	for k, ref := range [...]Reference{True, Magnetic} {
		degrees, ok := r.lettered(i+2*k, "TM"[k])
		r.angle(q, ref, degrees, ok)
	}
}

// speedAt is a field with a speed, and the letter of its unit that follows it: M for metres a second, N for knots, K
// for km/h.
type speedAt struct {
	field  int
	letter byte
}

// anySpeed reads a speed that is given in several units, in m/s: the first that is there counts.
func (r *plain) anySpeed(fields ...speedAt) (float64, bool) {
	for _, f := range fields {
		x, ok := r.lettered(f.field, f.letter)
		if !ok {
			continue
		}
		switch f.letter {
		case 'N':
			x *= knot
		case 'K':
			x *= kmh
		}
		return x, true
	}
	return 0, false
}
