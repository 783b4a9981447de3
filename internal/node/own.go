package node

import "muster/pgn"

// OwnManufacturer is the manufacturer code of muster's own NAME. The public lists leave it unassigned; muster is not a certified device.
const OwnManufacturer = 2040

// OwnName is muster's own NAME: class system tools, function diagnostic, able to change its address. unique distinguishes the
// instances of muster on one bus; 21 bits of it count.
func OwnName(unique uint32) pgn.NAME {
	return pgn.NameFields{
		UniqueNumber: unique, Manufacturer: OwnManufacturer, DeviceClass: 10, DeviceFunction: 130, IndustryGroup: 4, ArbitraryAddress: true,
	}.NAME()
}

// OwnAddress is the address muster tries first: high, out of the way of devices that begin at the bottom.
const OwnAddress = 240

// OwnOptions are the options of muster's own presence. version is muster's version, serial names this installation.
func OwnOptions(unique uint32, version, serial string) Options {
	return Options{
		Name: OwnName(unique), Address: OwnAddress, Survey: true, Seed: uint64(unique),
		Product: pgn.ProductInformation{
			DatabaseVersion: pgn.Some[uint16](2100), ProductCode: pgn.Some[uint16](1), Model: "muster", SoftwareVersion: version,
			ModelVersion: "1", Serial: serial, // not certified, and what it draws depends on the adapter
		},
		Receives: []uint32{pgnList, pgnHeartbeat, pgnProduct, pgnConfig},
	}
}
