// Package broker runs the message server inside a hub's process.
package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"

	"muster/internal/fleet"
	"muster/internal/fleet/trust"
)

// Options are where a server listens and keeps what it is given.
type Options struct {
	Listen          string // host:port for boats; port 0 takes any free one
	TLSCert, TLSKey string // PEM files; both empty for none
	Dir             string // folder of streams and of the accounts' papers
	Papers          trust.Papers
	SyncEvery       time.Duration // how often what was written is synced to disk; 0 before every acknowledgement
	MaxStore        int64         // bytes of streams; 0 for as much as the disk allows
	Log             zerolog.Logger

	// Of a node of a cluster; empty for a server alone.
	Name, Cluster, ClusterListen string
	Routes                       []string // host:port of other nodes
}

// Server is a message server with streams.
type Server struct {
	*server.Server
	stream  server.JetStreamConfig
	bounded bool // the size of the streams has been set
	log     zerolog.Logger
	stop    chan struct{}
	done    chan struct{}
}

// payload bounds a message with its headers.
const payload = fleet.MaxEncoded

// maxBehind is what a connection may be behind, in bytes: a hub that starts reads the records of all boats at once.
const maxBehind = 256 << 20

// readyWithin is how long a server may read what it keeps before it takes connections.
const readyWithin = 10 * time.Minute

// Start starts a server and waits until it takes connections, as long as ctx allows: with years of history on a slow disk that is minutes.
func Start(ctx context.Context, opt Options) (*Server, error) {
	host, portText, err := net.SplitHostPort(opt.Listen)
	if err != nil {
		return nil, fmt.Errorf("message server: listen on %q: %w", opt.Listen, err)
	}
	port, err := strconv.ParseUint(portText, 10, 16)
	if err != nil {
		return nil, fmt.Errorf("message server: listen on %q: the port is no number below 65536", opt.Listen)
	}
	operator, err := jwt.DecodeOperatorClaims(opt.Papers.Operator)
	if err != nil {
		return nil, fmt.Errorf("message server: operator: %w", err)
	}
	if err := os.MkdirAll(opt.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("message server: %w", err)
	}
	o := &server.Options{
		ServerName: opt.Name, Host: host, Port: int(port), NoSigs: true, NoLog: true,
		MaxPayload: payload, MaxControlLine: 4096, WriteDeadline: 10 * time.Second, MaxPending: maxBehind,
		PingInterval: time.Minute, MaxPingsOut: 2,
		TrustedOperators: []*jwt.OperatorClaims{operator}, SystemAccount: opt.Papers.System.Key,
		JetStream: true, StoreDir: opt.Dir, JetStreamMaxMemory: 64 << 20, JetStreamMaxStore: opt.MaxStore,
		SyncAlways: opt.SyncEvery == 0, SyncInterval: opt.SyncEvery,
	}
	if o.Port == 0 {
		o.Port = server.RANDOM_PORT
	}
	if opt.TLSCert != "" {
		cert, err := tls.LoadX509KeyPair(opt.TLSCert, opt.TLSKey)
		if err != nil {
			return nil, fmt.Errorf("message server: tls: %w", err)
		}
		o.TLS, o.TLSTimeout = true, 10
		o.TLSConfig = &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12}
	}
	if opt.Cluster != "" {
		if err := clustered(o, &opt); err != nil {
			return nil, err
		}
	}
	accounts, err := server.NewDirAccResolver(filepath.Join(opt.Dir, "accounts"), 0, 2*time.Minute, server.NoDelete)
	if err != nil {
		return nil, fmt.Errorf("message server: accounts: %w", err)
	}
	for _, a := range []trust.Account{opt.Papers.System, opt.Papers.Fleet, opt.Papers.Boats} {
		if err := accounts.Store(a.Key, a.JWT); err != nil {
			return nil, fmt.Errorf("message server: accounts: %w", err)
		}
	}
	o.AccountResolver = accounts
	ns, err := server.NewServer(o)
	if err != nil {
		return nil, fmt.Errorf("message server: %w", err)
	}
	log := &logger{log: opt.Log}
	ns.SetLoggerV2(log, opt.Log.GetLevel() <= zerolog.DebugLevel, false, false)
	go ns.Start()
	for end := time.Now().Add(readyWithin); !ns.ReadyForConnections(100 * time.Millisecond); {
		var err error
		if last := log.fatal(); last != "" {
			err = fmt.Errorf("message server: %s", last)
		} else if err = ctx.Err(); err == nil && time.Now().After(end) {
			err = fmt.Errorf("message server: not ready within %v on %s", readyWithin, opt.Listen)
		}
		if err != nil {
			ns.Shutdown()
			ns.WaitForShutdown()
			return nil, err
		}
	}
	s := &Server{Server: ns, log: opt.Log, bounded: opt.MaxStore > 0, stop: make(chan struct{}), done: make(chan struct{})}
	if cfg := ns.JetStreamConfig(); cfg != nil {
		s.stream = *cfg
		s.stream.StoreDir = opt.Dir // the server puts its own folder's name behind it each time
	}
	go s.watch()
	return s, nil
}

func clustered(o *server.Options, opt *Options) error {
	host, portText, err := net.SplitHostPort(opt.ClusterListen)
	if err != nil {
		return fmt.Errorf("message server: cluster: listen on %q: %w", opt.ClusterListen, err)
	}
	port, err := strconv.ParseUint(portText, 10, 16)
	if err != nil {
		return fmt.Errorf("message server: cluster: listen on %q: the port is no number below 65536", opt.ClusterListen)
	}
	o.Cluster = server.ClusterOpts{Name: opt.Cluster, Host: host, Port: int(port)}
	o.Routes = server.RoutesFromStr(strings.Join(routes(opt.Routes), ","))
	return nil
}

func routes(hosts []string) []string {
	var out []string
	for _, h := range hosts {
		out = append(out, "nats://"+h)
	}
	return out
}

// Connect connects within the process, past the network and TLS.
func (s *Server) Connect(creds []byte, name string) (*nats.Conn, error) {
	nc, err := nats.Connect("", nats.InProcessServer(s), nats.UserCredentialBytes(creds), nats.Name(name), nats.MaxReconnects(-1),
		nats.Timeout(10*time.Second), nats.ReconnectWait(200*time.Millisecond), nats.ReconnectBufSize(-1))
	if err != nil {
		return nil, fmt.Errorf("message server: connect: %w", err)
	}
	return nc, nil
}

// retryStreams is how often streams are turned on again after the disk was full.
const retryStreams = 5 * time.Second

// wider is the bound that the streams may have now, when that is more than they have and they have come to its end: the
// server sets it once, when it starts, from what is free then. It is 0 otherwise.
func (s *Server) wider() int64 {
	cfg := s.JetStreamConfig()
	info, err := s.Jsz(nil)
	if s.bounded || cfg == nil || err != nil || int64(info.Store) < cfg.MaxStore/10*9 {
		return 0
	}
	if now := int64(info.Store) + room(cfg.StoreDir)/4*3; now > cfg.MaxStore/10*11 {
		return now
	}
	return 0
}

// watch turns streams on again, for the server turns them off when a disk is full, and lets them grow when there is more room.
func (s *Server) watch() {
	defer close(s.done)
	for {
		select {
		case <-s.stop:
			return
		case <-time.After(retryStreams):
		}
		if s.JetStreamIsClustered() {
			continue
		}
		if s.JetStreamEnabled() {
			more := s.wider()
			if more == 0 {
				continue
			}
			s.log.Info().Int64("bytes", more).Msg("there is more room for the streams: taking it")
			s.stream.MaxStore = more
			if err := s.DisableJetStream(); err != nil {
				s.log.Error().Err(err).Msg("the streams cannot be given more room")
				continue
			}
		}
		cfg := s.stream
		if err := s.EnableJetStream(&cfg); err != nil {
			s.log.Error().Err(err).Str("folder", cfg.StoreDir).Msg("streams are off: make room on the disk, they come back by themselves")
			continue
		}
		s.log.Warn().Msg("streams are on again")
	}
}

// Stop ends the server, and gives up waiting after a time.
func (s *Server) Stop(within time.Duration) error {
	select {
	case <-s.stop:
		return nil
	default:
		close(s.stop)
	}
	ended := make(chan struct{})
	go func() {
		s.Shutdown()
		s.WaitForShutdown()
		<-s.done
		close(ended)
	}()
	select {
	case <-ended:
		return nil
	case <-time.After(within):
		return errors.New("message server: did not end in time")
	}
}

// PushAccount gives servers a new paper of an account. nc is a connection of the system account.
func PushAccount(nc *nats.Conn, a trust.Account) error {
	reply, err := nc.Request("$SYS.REQ.CLAIMS.UPDATE", []byte(a.JWT), 5*time.Second)
	if err != nil {
		return fmt.Errorf("give the servers the list of boats: %w", err)
	}
	if text := string(reply.Data); strings.Contains(text, `"error"`) {
		return fmt.Errorf("give the servers the list of boats: refused: %s", text)
	}
	return nil
}
