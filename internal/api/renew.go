package api

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net"
	"sync/atomic"

	"muster/internal/input"
)

// shownCert is the certificate of a server, which can be renewed while it runs.
type shownCert struct {
	now atomic.Pointer[tls.Certificate]
}

// load reads the files; the configuration is nil without any.
func (c *shownCert) load(certFile, keyFile, clientCA string) (*tls.Config, error) {
	cert, err := readCertificate(certFile, keyFile)
	if cert == nil || err != nil {
		return nil, err
	}
	c.now.Store(cert)
	conf := &tls.Config{MinVersion: tls.VersionTLS12,
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return c.now.Load(), nil }}
	if clientCA != "" {
		text, err := input.File(context.Background(), clientCA, maxAuthority)
		if err != nil {
			return nil, fmt.Errorf("api: tls: authority of clients: %w", err)
		}
		conf.ClientAuth, conf.ClientCAs = tls.RequireAndVerifyClientCert, x509.NewCertPool()
		if !conf.ClientCAs.AppendCertsFromPEM(text) {
			return nil, fmt.Errorf("api: tls: authority of clients: %s holds no certificate in PEM form", clientCA)
		}
	}
	return conf, nil
}

// maxAuthority bounds a file of certificates in bytes.
const maxAuthority = 1 << 20

// readCertificate is nil without files.
func readCertificate(certFile, keyFile string) (*tls.Certificate, error) {
	if certFile == "" {
		return nil, nil
	}
	cert, err := tls.LoadX509KeyPair(certFile, keyFile)
	if err != nil {
		return nil, fmt.Errorf("api: tls: %w", err)
	}
	return &cert, nil
}

// NeedsToken reports whether other computers can reach the server without TLS, so that it needs a token.
func (s *Server) NeedsToken() bool { return s.opt.TLSCert == "" && !loopback(s.gate) }

// loopback reports whether only this computer can reach the listener.
func loopback(l net.Listener) bool {
	addr, ok := l.Addr().(*net.TCPAddr)
	return !ok || addr.IP.IsLoopback()
}

// Renew reads the certificate again and returns a function that puts it and the tokens in force: the tokens from the next request on,
// the certificate from the next connection on. Open streams with another token end. A server without TLS stays without; one with TLS
// keeps its certificate when no files are named.
func (s *Server) Renew(token, readToken, certFile, keyFile string) (func(), error) {
	cert, err := readCertificate(certFile, keyFile)
	if err != nil {
		return nil, err
	}
	return func() {
		s.door.tokens.Store(&tokens{token, readToken})
		if cert != nil {
			s.gate.cert.now.Store(cert)
		}
	}, nil
}
