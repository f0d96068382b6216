package objectstore_test

import (
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/archive"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/imagetest"
)

const (
	bucket    = "shops"
	accessKey = "test-access"
	secretKey = "test-secret-key"
)

// s3URL is the URL of the bucket on an S3-compatible server.
func s3URL(endpoint string) string {
	return "s3://" + bucket + "?region=us-east-1&use_path_style=true&endpoint=" + url.QueryEscape(endpoint)
}

// credentials puts the keys of the test servers into the environment.
func credentials(t *testing.T) {
	t.Setenv("AWS_ACCESS_KEY_ID", accessKey)
	t.Setenv("AWS_SECRET_ACCESS_KEY", secretKey)
	t.Setenv("AWS_MAX_ATTEMPTS", "2") // we try again ourselves; its pauses are long
	t.Setenv("AWS_EC2_METADATA_DISABLED", "true")
}

// server starts versitygw, an S3 server over a folder, on a port of this
// machine only. It returns its address and the folder of the bucket.
func server(t *testing.T) (endpoint, dir string) {
	t.Helper()
	tool := imagetest.Tool(t, "versitygw")
	credentials(t)
	root := t.TempDir()
	for _, d := range []string{filepath.Join("objects", bucket), "meta"} {
		require.NoError(t, os.MkdirAll(filepath.Join(root, d), 0o755))
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	address := l.Addr().String()
	require.NoError(t, l.Close())
	cmd := exec.Command(tool, "--quiet", "--access", accessKey, "--secret", secretKey, "--port", address,
		"posix", "--sidecar", filepath.Join(root, "meta"), filepath.Join(root, "objects"))
	var log strings.Builder
	cmd.Stdout, cmd.Stderr = &log, &log
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		if t.Failed() {
			t.Log(log.String())
		}
	})
	waitFor(t, address)
	return "http://" + address, filepath.Join(root, "objects", bucket)
}

func TestS3Bucket(t *testing.T) {
	endpoint, _ := server(t)
	contract(t, s3URL(endpoint))
}

func TestS3PrefixAndLargeImages(t *testing.T) {
	endpoint, _ := server(t)
	a, s := shop(t, 20<<20, 1), open(t, s3URL(endpoint)+"&prefix="+url.QueryEscape("north/hill/"))
	_, err := a.Push(ctx, s, "Groomer 2") // 20 MiB go up in parts
	require.NoError(t, err)
	v := verify(t, s)
	assert.Equal(t, evidence.Pass, v.Verdict, "%v", v.Findings)
	b := shop(t)
	_, err = b.Pull(ctx, s, "groomer-2")
	require.NoError(t, err)
	equal(t, a, b)
}

func TestS3DamageOnTheServer(t *testing.T) {
	endpoint, dir := server(t)
	s := open(t, s3URL(endpoint))
	_, err := shop(t, 1000, 9000).Push(ctx, s, "Groomer 2")
	require.NoError(t, err)
	damage(t, dir)
	v := verify(t, s)
	assert.Equal(t, evidence.Fail, v.Verdict)
	assert.Contains(t, fmt.Sprint(v.Findings), "groomer-2/0002-backup")
}

// proxy stands between us and a server and does harm.
type proxy struct {
	*httptest.Server
	harm  atomic.Pointer[func(n int64, w http.ResponseWriter, r *http.Request, next http.Handler)]
	count atomic.Int64
}

func newProxy(t *testing.T, endpoint string) *proxy {
	t.Helper()
	target, err := url.Parse(endpoint)
	require.NoError(t, err)
	next := &httputil.ReverseProxy{
		Rewrite: func(r *httputil.ProxyRequest) {
			r.SetURL(target)
			r.Out.Host = r.In.Host // the signature covers it
		},
		ErrorHandler: func(w http.ResponseWriter, _ *http.Request, _ error) { panic(http.ErrAbortHandler) },
	}
	p := &proxy{}
	p.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if harm := p.harm.Load(); harm != nil {
			(*harm)(p.count.Add(1), w, r, next)
			return
		}
		next.ServeHTTP(w, r)
	}))
	t.Cleanup(p.Close)
	return p
}

func (p *proxy) set(harm func(n int64, w http.ResponseWriter, r *http.Request, next http.Handler)) {
	p.count.Store(0)
	p.harm.Store(&harm)
}

// cutWriter passes on a number of bytes, then breaks the connection.
type cutWriter struct {
	http.ResponseWriter
	left int
}

func (w *cutWriter) Write(p []byte) (int, error) {
	if len(p) > w.left {
		_, _ = w.ResponseWriter.Write(p[:w.left])
		if f, ok := w.ResponseWriter.(http.Flusher); ok {
			f.Flush()
		}
		panic(http.ErrAbortHandler)
	}
	w.left -= len(p)
	return w.ResponseWriter.Write(p)
}

// slowWriter passes on a little at a time.
type slowWriter struct{ http.ResponseWriter }

func (w slowWriter) Write(p []byte) (int, error) {
	n := 0
	for len(p) > 0 {
		part := p[:min(len(p), 16<<10)]
		m, err := w.ResponseWriter.Write(part)
		if n += m; err != nil {
			return n, err
		}
		p = p[m:]
		time.Sleep(2 * time.Millisecond)
	}
	return n, nil
}

// TestS3FaultsInBetween: whatever the network does, what ends well is right,
// and what does not is finished by the next run.
func TestS3FaultsInBetween(t *testing.T) {
	endpoint, _ := server(t)
	p := newProxy(t, endpoint)
	harms := map[string]func(n int64, w http.ResponseWriter, r *http.Request, next http.Handler){
		"every third answer is 500": func(n int64, w http.ResponseWriter, r *http.Request, next http.Handler) {
			if n%3 == 0 {
				http.Error(w, "broken on purpose", http.StatusInternalServerError)
				return
			}
			next.ServeHTTP(w, r)
		},
		"500 after the work is done": func(n int64, w http.ResponseWriter, r *http.Request, next http.Handler) {
			if n%4 == 0 {
				next.ServeHTTP(httptest.NewRecorder(), r)
				http.Error(w, "broken on purpose", http.StatusInternalServerError)
				return
			}
			next.ServeHTTP(w, r)
		},
		"connections cut in the answer": func(n int64, w http.ResponseWriter, r *http.Request, next http.Handler) {
			if n%3 == 0 && r.Method == http.MethodGet {
				next.ServeHTTP(&cutWriter{w, 300}, r)
				return
			}
			next.ServeHTTP(w, r)
		},
		"connections cut before the answer": func(n int64, w http.ResponseWriter, r *http.Request, next http.Handler) {
			if n%4 == 0 {
				panic(http.ErrAbortHandler)
			}
			next.ServeHTTP(w, r)
		},
		"slow": func(_ int64, w http.ResponseWriter, r *http.Request, next http.Handler) {
			next.ServeHTTP(slowWriter{w}, r)
		},
	}
	for name, harm := range harms {
		t.Run(name, func(t *testing.T) {
			s := open(t, s3URL(p.URL)+"&prefix="+url.QueryEscape(strings.ReplaceAll(name, " ", "-")+"/"))
			a, b := shop(t, 200_000), shop(t)
			p.set(harm)
			runs := 0
			for ; ; runs++ {
				if _, err := a.Push(ctx, s, "Groomer 2"); err == nil {
					break
				} else {
					require.NotErrorIs(t, err, archive.ErrWrongBytes)
					require.Less(t, runs, 10, "%v", err)
				}
			}
			for ; ; runs++ {
				if _, err := b.Pull(ctx, s, "groomer-2"); err == nil {
					break
				} else {
					require.Less(t, runs, 20, "%v", err)
				}
			}
			equal(t, a, b)
			requests := p.count.Load()
			p.set(func(_ int64, w http.ResponseWriter, r *http.Request, next http.Handler) { next.ServeHTTP(w, r) })
			v := verify(t, s)
			assert.Equal(t, evidence.Pass, v.Verdict, "%v", v.Findings)
			t.Logf("%d requests, %d runs had to be repeated", requests, runs)
		})
	}
}

// certificate writes the certificate and key of a TLS server on 127.0.0.1, and
// makes the client trust it. Over TLS the client sends uploads framed, with a
// checksum behind them: what the servers below get wrong.
func certificate(t *testing.T, server *httptest.Server) (cert, key string) {
	t.Helper()
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	der, err := x509.MarshalPKCS8PrivateKey(server.TLS.Certificates[0].PrivateKey)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: server.Certificate().Raw}), 0o600))
	require.NoError(t, os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), 0o600))
	t.Setenv("AWS_CA_BUNDLE", cert)
	return cert, key
}

// TestLyingServer: gofakes3 1.2.0 stores a framed upload with its framing and
// reports success. Reading back catches it.
func TestLyingServer(t *testing.T) {
	credentials(t)
	backend := s3mem.New()
	require.NoError(t, backend.CreateBucket(bucket))
	fake := httptest.NewTLSServer(gofakes3.New(backend).Server())
	t.Cleanup(fake.Close)
	certificate(t, fake)
	_, err := shop(t, 20<<20).Push(ctx, open(t, s3URL(fake.URL)), "Groomer 2")
	require.ErrorIs(t, err, archive.ErrWrongBytes)
	assert.ErrorContains(t, err, "must not be trusted")
}

// TestAnotherLyingServer: npm's s3rver does the same: 173 bytes for one.
// CALPROOF_S3RVER names its program.
func TestAnotherLyingServer(t *testing.T) {
	program := os.Getenv("CALPROOF_S3RVER")
	if program == "" {
		t.Skip("CALPROOF_S3RVER is not set; it names the program of npm's s3rver")
	}
	t.Setenv("AWS_ACCESS_KEY_ID", "S3RVER")
	t.Setenv("AWS_SECRET_ACCESS_KEY", "S3RVER")
	t.Setenv("AWS_EC2_METADATA_DISABLED", "true")
	donor := httptest.NewTLSServer(http.NotFoundHandler())
	cert, key := certificate(t, donor)
	donor.Close()
	_, port, err := net.SplitHostPort(donor.Listener.Addr().String())
	require.NoError(t, err)
	cmd := exec.Command(program, "--directory", t.TempDir(), "--address", "127.0.0.1", "--port", port, "--cert", cert, "--key", key, "--configure-bucket", bucket)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	waitFor(t, "127.0.0.1:"+port)
	_, err = shop(t, 1).Push(ctx, open(t, s3URL("https://127.0.0.1:"+port)), "Groomer 2")
	require.ErrorIs(t, err, archive.ErrWrongBytes)
}

// waitFor waits until a server listens.
func waitFor(t *testing.T, address string) {
	t.Helper()
	for range 100 {
		if c, err := net.Dial("tcp", address); err == nil {
			c.Close()
			return
		}
		time.Sleep(100 * time.Millisecond)
	}
	t.Fatal("the server does not listen")
}
