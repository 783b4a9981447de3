// Package trust decides who may send for a boat.
//
// Keys are nkeys and papers are JWTs, as a NATS server in operator mode reads them: an operator signs three accounts.
// Boats have one of their own, without streams, from which nothing leads to the hub's but their subjects. That
// matters because a server answers a publisher on whatever subject the publisher names: an answer must not reach the
// hub's streams, buckets or stream commands.
package trust

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nkeys"

	"muster/internal/fleet"
	"muster/internal/input"
)

// Files of the folder.
const (
	operatorKey = "operator.seed"
	systemKey   = "system.seed"
	fleetKey    = "fleet.seed"
	boatsKey    = "boats.seed"
	bookFile    = "enrolled.json"
	lockFile    = "lock"
	forceFile   = "in-force"
)

// Trust is a folder of keys, which stays on the computer that enrols boats.
type Trust struct {
	dir                            string
	operator, system, fleet, boats nkeys.KeyPair
}

// Open reads the folder, and makes it with new keys when it is not there.
func Open(dir string) (*Trust, error) {
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		if err := create(dir); err != nil {
			return nil, fmt.Errorf("make the folder of keys %q: %w", dir, err)
		}
	}
	return Existing(dir)
}

// Existing reads a folder that must be there.
func Existing(dir string) (*Trust, error) {
	t := &Trust{dir: dir}
	for _, k := range []struct {
		name string
		to   *nkeys.KeyPair
	}{{operatorKey, &t.operator}, {systemKey, &t.system}, {fleetKey, &t.fleet}, {boatsKey, &t.boats}} {
		seed, err := os.ReadFile(filepath.Join(dir, k.name))
		if err != nil {
			return nil, fmt.Errorf("read the hub's keys: %w", err)
		}
		if *k.to, err = nkeys.FromSeed(seed); err != nil {
			return nil, fmt.Errorf("read the hub's keys: %q: %w", filepath.Join(dir, k.name), err)
		}
	}
	return t, nil
}

// create makes all keys in a folder beside dir, so that dir is complete once it is there.
func create(dir string) error {
	if err := os.MkdirAll(filepath.Dir(dir), 0o700); err != nil {
		return err
	}
	made, err := os.MkdirTemp(filepath.Dir(dir), filepath.Base(dir)+".new-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(made)
	for name, prefix := range map[string]nkeys.PrefixByte{operatorKey: nkeys.PrefixByteOperator, systemKey: nkeys.PrefixByteAccount,
		fleetKey: nkeys.PrefixByteAccount, boatsKey: nkeys.PrefixByteAccount} {
		pair, err := nkeys.CreatePair(prefix)
		if err != nil {
			return err
		}
		seed, err := pair.Seed()
		if err != nil {
			return err
		}
		if err := input.WriteFile(filepath.Join(made, name), seed, 0o600); err != nil {
			return err
		}
	}
	return os.Rename(made, dir)
}

// Account is one account's name and paper.
type Account struct {
	Key string // public key
	JWT string
}

// Papers are what a server must hold to trust the same people as this folder.
type Papers struct {
	Operator string // JWT
	System   Account
	Fleet    Account // of the hubs: streams and buckets
	Boats    Account // of the boats
	Revision uint64  // of the list of boats that went into Boats
}

// Papers writes them again from the keys and the list of boats.
func (t *Trust) Papers() (Papers, error) {
	b, err := t.read()
	if err != nil {
		return Papers{}, err
	}
	p := Papers{Revision: b.Revision, System: Account{Key: public(t.system)}, Fleet: Account{Key: public(t.fleet)},
		Boats: Account{Key: public(t.boats)}}

	o := jwt.NewOperatorClaims(public(t.operator))
	o.Name, o.SystemAccount = "muster", p.System.Key
	if p.Operator, err = o.Encode(t.operator); err != nil {
		return p, fmt.Errorf("sign the operator: %w", err)
	}

	system := jwt.NewAccountClaims(p.System.Key)
	system.Name = "system"

	hubs := jwt.NewAccountClaims(p.Fleet.Key)
	hubs.Name = "fleet"
	hubs.Limits.JetStreamLimits = jwt.JetStreamLimits{MemoryStorage: jwt.NoLimit, DiskStorage: jwt.NoLimit, Streams: jwt.NoLimit,
		Consumer: jwt.NoLimit, MaxAckPending: jwt.NoLimit}

	boats := jwt.NewAccountClaims(p.Boats.Key)
	boats.Name = "boats"
	for _, kind := range fleet.Kinds() { // and no other subject, whatever a boat's own paper allows it
		subject := jwt.Subject(fleet.Subject("*", kind))
		hubs.Exports.Add(&jwt.Export{Name: string(kind), Subject: subject, Type: jwt.Service})
		boats.Imports.Add(&jwt.Import{Name: string(kind), Subject: subject, Account: p.Fleet.Key, Type: jwt.Service})
	}
	for key, since := range b.Lost {
		boats.RevokeAt(key, since)
	}

	for _, a := range []struct {
		claims *jwt.AccountClaims
		to     *string
	}{{system, &p.System.JWT}, {hubs, &p.Fleet.JWT}, {boats, &p.Boats.JWT}} {
		if *a.to, err = a.claims.Encode(t.operator); err != nil {
			return p, fmt.Errorf("sign account %s: %w", a.claims.Name, err)
		}
	}
	return p, nil
}

func public(k nkeys.KeyPair) string {
	s, err := k.PublicKey()
	if err != nil {
		return "" // only a wiped pair has none
	}
	return s
}

// HubUser is who a hub is in its credentials.
const HubUser = "hub"

// HubCreds makes credentials with full rights in the fleet's account, for one hub process.
func (t *Trust) HubCreds() ([]byte, error) {
	_, creds, err := user(t.fleet, HubUser, nil)
	return creds, err
}

// SystemCreds makes credentials that may give servers new papers.
func (t *Trust) SystemCreds() ([]byte, error) {
	_, creds, err := user(t.system, "system", nil)
	return creds, err
}

// user signs a new user of an account.
func user(account nkeys.KeyPair, name string, restrict func(*jwt.UserClaims)) (key string, creds []byte, err error) {
	pair, err := nkeys.CreateUser()
	if err != nil {
		return "", nil, fmt.Errorf("make a key: %w", err)
	}
	key = public(pair)
	token, err := sign(account, key, name, restrict)
	if err != nil {
		return "", nil, err
	}
	seed, err := pair.Seed()
	if err != nil {
		return "", nil, fmt.Errorf("make a key: %w", err)
	}
	creds, err = jwt.FormatUserConfig(token, seed)
	return key, creds, err
}

// sign makes the token of a user of an account, whose private key may be elsewhere.
func sign(account nkeys.KeyPair, key, name string, restrict func(*jwt.UserClaims)) (string, error) {
	u := jwt.NewUserClaims(key)
	u.Name = name
	u.IssuerAccount = "" // signed by the account itself
	if restrict != nil {
		restrict(u)
	}
	token, err := u.Encode(account)
	if err != nil {
		return "", fmt.Errorf("sign user %s: %w", name, err)
	}
	return token, nil
}

// maxSubscriptions is what a boat needs for its acknowledgements, with room.
const maxSubscriptions = 8

// only restricts a user to one boat.
func only(boat string) func(*jwt.UserClaims) {
	return func(u *jwt.UserClaims) {
		for _, kind := range fleet.Kinds() {
			u.Pub.Allow.Add(fleet.Subject(boat, kind))
		}
		u.Sub.Allow.Add(fleet.Inbox(boat) + ".>")
		u.Limits.Subs = maxSubscriptions
		u.AllowedConnectionTypes.Add(jwt.ConnectionTypeStandard)
	}
}

// InForce notes which revision of the list a running hub has given to its servers.
func (t *Trust) InForce(revision uint64) error {
	if err := input.WriteFile(filepath.Join(t.dir, forceFile), fmt.Appendln(nil, revision), 0o600); err != nil {
		return fmt.Errorf("note what is in force: %w", err)
	}
	return nil
}

// Await waits until a running hub has put the list as it is now in force. It reports false when none did within the time.
func (t *Trust) Await(within time.Duration) bool {
	for end := time.Now().Add(within); ; time.Sleep(50 * time.Millisecond) {
		var have uint64
		b, err := t.read()
		text, errForce := os.ReadFile(filepath.Join(t.dir, forceFile))
		if err == nil && errForce == nil {
			if _, err := fmt.Sscan(string(text), &have); err == nil && have >= b.Revision {
				return true
			}
		}
		if time.Now().After(end) {
			return false
		}
	}
}
