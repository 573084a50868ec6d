package api_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"alike/api"
)

// listenWithin serves with short limits and returns the address.
func listenWithin(t *testing.T, limit time.Duration) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	srv := &http.Server{Handler: handler(t), ReadHeaderTimeout: limit, ReadTimeout: 2 * limit, WriteTimeout: time.Minute, IdleTimeout: limit, MaxHeaderBytes: 64 << 10}
	go func() { ended <- api.ServeWith(ctx, l, srv) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return l.Addr().String()
}

// say sends raw bytes and returns what comes back until the server closes.
func say(t *testing.T, address, text string) string {
	t.Helper()
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Error(err)
		return ""
	}
	defer c.Close()
	_ = c.SetDeadline(time.Now().Add(20 * time.Second))
	_, _ = io.WriteString(c, text) // the server may close before all is sent
	got, err := io.ReadAll(c)
	if nerr, ok := err.(net.Error); ok && nerr.Timeout() {
		t.Errorf("the server still waits: %.80q", text)
	}
	return string(got)
}

// Clients that send slowly, or stop, are let go, each and many at once, and a good one
// is served beside them.
func TestSlowClients(t *testing.T) {
	t.Parallel()
	address := listenWithin(t, 300*time.Millisecond)
	var slow sync.WaitGroup
	for i := range 60 {
		slow.Go(func() {
			switch i % 3 {
			case 0: // never ends its header
				say(t, address, "POST /api/v1/takes HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Ty")
			case 1: // never sends its body
				got := say(t, address, "POST /api/v1/takes HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: 500\r\n\r\n{\"serial\":")
				if got != "" && !strings.Contains(got, " 408 ") {
					t.Errorf("%q", got)
				}
			case 2: // says nothing
				say(t, address, "")
			}
		})
	}
	res, err := http.Get("http://" + address + "/readyz")
	if err != nil || res.StatusCode != 200 {
		t.Errorf("beside slow clients: %v %v", res, err)
	}
	slow.Wait()
}

// What is no HTTP gets 400 or an end, and the server goes on.
func TestBrokenHTTP(t *testing.T) {
	t.Parallel()
	address := listenWithin(t, 300*time.Millisecond)
	const post = "POST /api/v1/takes HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
	tried := 0
	for _, text := range []string{
		"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03", "GET\r\n\r\n", "GET / HTTP/9.9\r\n\r\n", "GET / HTTP/1.1\r\n\r\n", "\r\n\r\n\r\n", strings.Repeat("A", 100_000),
		"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n", "GET / HTTP/1.1\nHost: 127.0.0.1\n\n", "GET /\x00 HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", "GET /%zz HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
		"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + strings.Repeat("x", 200_000) + "\r\n\r\n",
		"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n" + strings.Repeat("X: y\r\n", 30_000) + "\r\n",
		"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n X: folded\r\n\r\n", "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX\r\n\r\n",
		post + "Content-Length: 5\r\nContent-Length: 6\r\n\r\nhello", post + "Content-Length: -1\r\n\r\n", post + "Content-Length: 99999999999999999999\r\n\r\n",
		post + "Content-Length: 3\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n", post + "Transfer-Encoding: chunked\r\n\r\nZZ\r\n", post + "Transfer-Encoding: chunked\r\n\r\nffffffffffffffff\r\n",
		post + "Transfer-Encoding: gzip\r\n\r\nx", post + "Content-Encoding: gzip\r\nContent-Length: 2\r\n\r\n\x1f\x8b", post + "Expect: magic\r\nContent-Length: 2\r\n\r\n{}",
		post + "Connection: upgrade\r\nUpgrade: h2c\r\nContent-Length: 2\r\n\r\n{}", "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", "CONNECT elsewhere:443 HTTP/1.1\r\nHost: elsewhere:443\r\n\r\n",
	} {
		tried++
		got := say(t, address, text)
		for rest := bufio.NewReader(strings.NewReader(got)); ; {
			res, err := http.ReadResponse(rest, nil)
			if err != nil {
				break
			}
			if res.StatusCode >= 500 && res.StatusCode != http.StatusNotImplemented && res.StatusCode != http.StatusHTTPVersionNotSupported {
				t.Errorf("%.80q: %d", text, res.StatusCode)
			}
			_, _ = io.Copy(io.Discard, res.Body)
		}
	}
	res, err := http.Get("http://" + address + "/readyz")
	if err != nil || res.StatusCode != 200 {
		t.Errorf("afterwards: %v %v", res, err)
	}
	t.Log(fmt.Sprint(tried, " broken requests"))
}
