package subscription

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"syscall"
	"time"

	"golang.org/x/net/http/httpguts"
)

// Hosts are where an administrator lets notifications go, as host or host:port.
// A host alone stands for the port of its scheme.
type Hosts []string

// ParseHosts reads them.
func ParseHosts(list []string) (Hosts, error) {
	var hosts Hosts
	for _, text := range list {
		u, err := url.Parse("//" + text)
		if err != nil || text == "" || u.Host != text || u.Hostname() == "" || u.User != nil || strings.HasSuffix(text, ":") {
			return nil, fmt.Errorf("%q: accepted: a host, such as ehr.example.org, with or without a port", text)
		}
		hosts = append(hosts, strings.ToLower(text))
	}
	return hosts, nil
}

// Check refuses an endpoint that nothing is sent to. Its error says what is
// accepted, and not which hosts there are.
func (h Hosts) Check(endpoint string) error {
	u, err := url.Parse(endpoint)
	if err != nil || u.Host == "" || u.Opaque != "" {
		return errors.New("accepted: an absolute address, such as https://ehr.example.org/hook")
	}
	switch {
	case u.User != nil:
		return errors.New("an address may hold no name and password; use a header")
	case u.Fragment != "":
		return errors.New("an address may hold no fragment")
	case u.Scheme != "https" && (u.Scheme != "http" || !loopback(u.Hostname())):
		return errors.New("accepted: https, or http on this machine alone")
	}
	host, port := strings.ToLower(u.Hostname()), u.Port()
	standard := port == "" || u.Scheme == "https" && port == "443" || u.Scheme == "http" && port == "80"
	if standard && (slices.Contains(h, host) || slices.Contains(h, bracketed(host))) {
		return nil
	}
	if port == "" {
		port = map[string]string{"https": "443", "http": "80"}[u.Scheme]
	}
	if slices.Contains(h, net.JoinHostPort(host, port)) {
		return nil
	}
	return errors.New("an administrator has not allowed this host")
}

func bracketed(host string) string {
	if strings.Contains(host, ":") {
		return "[" + host + "]"
	}
	return host
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// refused are headers that a client may not set: they are about the connection, or
// ours.
var refused = []string{
	"Connection", "Content-Length", "Content-Type", "Content-Encoding", "Expect", "Host", "Keep-Alive", "Proxy-Authorization", "Proxy-Connection",
	"Te", "Trailer", "Transfer-Encoding", "Upgrade", "User-Agent", "Cookie", "Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Forwarded-Proto",
}

// Header splits a line such as "Authorization: Bearer secret". Its error repeats
// nothing of the line.
func Header(line string) (name, value string, err error) {
	name, value, ok := strings.Cut(line, ":")
	name, value = http.CanonicalHeaderKey(strings.TrimSpace(name)), strings.TrimSpace(value)
	switch {
	case !ok || value == "" || !httpguts.ValidHeaderFieldName(name) || !httpguts.ValidHeaderFieldValue(value) || len(line) > longestHeader:
		return "", "", errors.New(`accepted: a line such as "Authorization: Bearer secret"`)
	case slices.Contains(refused, name):
		return "", "", errors.New("this header can't be set")
	}
	return name, value, nil
}

const longestHeader = 8 << 10

// Patience is how long an endpoint may take to answer; common practice.
const Patience = 10 * time.Second

// NewClient returns what notifications are sent with; trust replaces the
// machine's own certificates, if it is given. It follows no redirects and uses no
// proxy, and it looks at what a name comes to mean before it connects.
func NewClient(trust *x509.CertPool) *http.Client {
	return &http.Client{
		Timeout:       Patience,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{
			DialContext: func(ctx context.Context, network, address string) (net.Conn, error) {
				host, _, err := net.SplitHostPort(address)
				if err != nil {
					return nil, err
				}
				d := net.Dialer{Timeout: Patience, Control: dialed(loopback(host))}
				return d.DialContext(ctx, network, address)
			},
			TLSClientConfig: &tls.Config{RootCAs: trust, MinVersion: tls.VersionTLS12}, TLSHandshakeTimeout: Patience,
			ResponseHeaderTimeout: Patience, MaxResponseHeaderBytes: 64 << 10, MaxIdleConns: 10, IdleConnTimeout: time.Minute, ForceAttemptHTTP2: true,
		},
	}
}

// dialed looks at an address before it is connected to.
func dialed(local bool) func(network, resolved string, _ syscall.RawConn) error {
	return func(_, resolved string, _ syscall.RawConn) error { return ordinary(resolved, local) }
}

var errAddress = errors.New("the address is not one that is connected to")

// ordinary refuses addresses that mean this machine, unless its own name was
// given, and those that only the network itself has: there, cloud providers keep
// what machines are trusted with.
func ordinary(resolved string, local bool) error {
	to, err := netip.ParseAddrPort(resolved)
	if err != nil {
		return errAddress
	}
	ip := to.Addr().Unmap()
	if ip.IsUnspecified() || ip.IsMulticast() || ip.IsLinkLocalUnicast() || ip.IsLoopback() != local {
		return errAddress
	}
	return nil
}
