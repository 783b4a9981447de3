package main

import (
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"

	"muster/internal/cli"
	"muster/internal/fleet"
	"muster/internal/fleet/trust"

	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"
)

// checkServers reports what is wrong with the addresses of message servers that a flag names.
func checkServers(flag, list string) error {
	for address := range strings.SplitSeq(list, ",") {
		u, err := url.Parse(strings.TrimSpace(address))
		if err != nil || u.Scheme != "tls" && u.Scheme != "nats" || u.Hostname() == "" || u.Path != "" && u.Path != "/" {
			return fmt.Errorf("%s: one of them is no URL of a message server: write tls://HOST:PORT, several with commas between", flag) // not quoted: it may hold a password
		}
		if u.User != nil {
			return cli.WithHint(fmt.Errorf("%s: it holds a name or a password, which hubs do not use", flag), "leave them out; the credentials are a file, which muster-hub hub-creds makes")
		}
	}
	return nil
}

// checkAddress reports what is wrong with a HOST:PORT that a flag names.
func checkAddress(flag, address string) error {
	_, port, err := net.SplitHostPort(address)
	if err == nil {
		_, err = strconv.ParseUint(port, 10, 16)
	}
	if err != nil {
		return fmt.Errorf("%s: %q is not HOST:PORT with a port below 65536, such as 127.0.0.1:4222", flag, address)
	}
	return nil
}

// checkCA reports what is wrong with a file of authorities.
func checkCA(file string) error {
	if file == "" {
		return nil
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("--ca: read %q: %w", file, cli.PlainPath(err))
	}
	if !x509.NewCertPool().AppendCertsFromPEM(text) {
		return cli.WithHint(fmt.Errorf("--ca: %q holds no certificate", file), "give the PEM file of the authority that signed the servers' certificates")
	}
	return nil
}

// readHubCreds reads a file that hub-creds made.
func readHubCreds(flag, file string) ([]byte, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("%s: read %q: %w", flag, file, cli.PlainPath(err))
	}
	const hint = "muster-hub hub-creds makes such a file on the computer that enrols boats"
	c, err := fleet.ParseCredentials(text)
	if err != nil {
		return nil, cli.WithHint(fmt.Errorf("%s: %q holds no credentials", flag, file), hint)
	}
	if c.Boat != trust.HubUser {
		return nil, cli.WithHint(fmt.Errorf("%s: %q is of boat %q, not of a hub", flag, file, c.Boat), hint)
	}
	return text, nil
}

// dial connects to servers outside.
func dial(url, ca string, creds []byte, name string, log zerolog.Logger) (*nats.Conn, error) {
	opts := []nats.Option{nats.UserCredentialBytes(creds), nats.Name(name), nats.MaxReconnects(-1), nats.ReconnectWait(time.Second),
		nats.ReconnectBufSize(-1), nats.Timeout(5 * time.Second),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) { log.Warn().Err(err).Msg("message server lost") }),
		nats.ReconnectHandler(func(nc *nats.Conn) {
			log.Info().Str("url", nc.ConnectedUrlRedacted()).Msg("message server found again")
		}),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { log.Debug().Err(err).Msg("message server") })}
	if ca != "" {
		opts = append(opts, nats.RootCAs(ca))
	}
	nc, err := nats.Connect(url, opts...)
	if err != nil {
		return nil, cli.WithHint(&serverError{fmt.Errorf("connect to %s: %w", strings.ReplaceAll(url, ",", ", "), err)},
			"check that a server runs there with the config that muster-hub server-config prints; the credentials must be of the same hub")
	}
	return nc, nil
}

// readCertificate reads the first certificate of a PEM file.
func readCertificate(file string) (*x509.Certificate, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return nil, errors.New("it holds no certificate")
	}
	return x509.ParseCertificate(block.Bytes)
}
