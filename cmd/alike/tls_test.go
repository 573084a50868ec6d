package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"alike/internal/store/storetest"
)

// certificate writes a self-signed certificate for this machine, and its key.
func selfSigned(t *testing.T, dir string, serial int64) (cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	form := x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: "line"}, DNSNames: []string{"localhost"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, &form, &form, private.Public(), private)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	cert, key = filepath.Join(dir, "line.crt"), filepath.Join(dir, "line.key")
	for name, block := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: raw}} {
		if err := os.WriteFile(name, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return cert, key
}

// A said is what a process has printed so far.
type said struct {
	mu   sync.Mutex
	text strings.Builder
}

func (s *said) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.Write(p)
}

func (s *said) find(pattern string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return regexp.MustCompile(pattern).FindString(s.text.String())
}

// Over https the cookie of a session is for this host and for https only, and a renewed
// certificate is taken without a new start.
func TestHTTPS(t *testing.T) {
	t.Parallel()
	cert, key := selfSigned(t, t.TempDir(), 1)
	cmd := exec.CommandContext(t.Context(), "alike", "serve", "--listen", "127.0.0.1:0", "--tls-cert", cert, "--tls-key", key)
	cmd.Env = append(os.Environ(), "ALIKE_DATABASE_URL="+storetest.URL(t))
	var out said
	cmd.Stdout, cmd.Stderr = &out, t.Output()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		_ = cmd.Process.Signal(syscall.SIGINT)
		_ = cmd.Wait()
	}()
	link := ""
	until(t, "the link is printed", func() bool {
		link = out.find(`https://127[^ \n]*/welcome/[A-Za-z0-9_-]{43}`)
		return link != ""
	})
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	var serial int64
	c := &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{DisableKeepAlives: true, TLSClientConfig: &tls.Config{
			InsecureSkipVerify: true, // the certificate is the test's own, and looked at here
			VerifyConnection: func(s tls.ConnectionState) error {
				serial = s.PeerCertificates[0].SerialNumber.Int64()
				return nil
			}}}}
	res, err := c.PostForm(link, url.Values{"name": {"Savka"}, "password": {"seven teal otters knit"}, "again": {"seven teal otters knit"}})
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	cookie := res.Header.Get("Set-Cookie")
	for _, want := range []string{"__Host-alike=", "Secure", "HttpOnly", "SameSite=Lax", "Path=/"} {
		if !strings.Contains(cookie, want) {
			t.Errorf("the cookie lacks %s: %s", want, regexp.MustCompile(`=[^;]*`).ReplaceAllString(cookie, "=…"))
		}
	}
	if res.StatusCode != http.StatusSeeOther || res.Header.Get("Strict-Transport-Security") == "" || serial != 1 {
		t.Errorf("%d %v, certificate %d", res.StatusCode, res.Header, serial)
	}
	selfSigned(t, filepath.Dir(cert), 2)
	later := time.Now().Add(time.Second) // file systems keep coarse times
	if err := os.Chtimes(cert, later, later); err != nil {
		t.Fatal(err)
	}
	base, _, _ := strings.Cut(link, "/welcome/")
	if res, err = c.Get(base + "/account"); err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if res.StatusCode != http.StatusOK || serial != 2 {
		t.Errorf("the account answers %d with the certificate %d, want 200 and 2", res.StatusCode, serial)
	}
	old := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS11, MinVersion: tls.VersionTLS10}}}
	if res, err := old.Get(base + "/healthz"); err == nil {
		res.Body.Close()
		t.Error("TLS 1.1 is spoken")
	}
}
