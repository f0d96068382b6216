// Package browsertest opens the HTML pages in a real browser. It is a module
// of its own so that nobody who imports calproof pulls in a browser driver.
//
// It needs Chromium and, for the accessibility check, the axe-core script from
// npm, whose path the environment variable CALPROOF_AXE gives. Without them
// the tests skip, or fail when CALPROOF_REQUIRE_TOOLS is 1. When
// CALPROOF_PICTURES names a folder, a picture of every page at every width is
// kept there for a person to look at.
package browsertest

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func missing(t *testing.T, format string, args ...any) {
	t.Helper()
	if os.Getenv("CALPROOF_REQUIRE_TOOLS") == "1" {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}

// browser starts Chromium once for all tests of a test function.
func browser(t *testing.T) context.Context {
	t.Helper()
	found := false
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if _, err := exec.LookPath(name); err == nil {
			found = true
		}
	}
	if !found {
		missing(t, "no Chromium on PATH: install it to run this test")
	}
	// Chromium looks up its own services at every start unless it is told not to.
	alloc, stop := chromedp.NewExecAllocator(context.Background(),
		chromedp.Headless, chromedp.DisableGPU, chromedp.NoFirstRun,
		chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-sync", true),
		chromedp.UserDataDir(t.TempDir()),
	)
	t.Cleanup(stop)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(cancel)
	ctx, cancelTime := context.WithTimeout(ctx, 2*time.Minute)
	t.Cleanup(cancelTime)
	require.NoError(t, chromedp.Do(ctx))
	return ctx
}

// record keeps what the browser complained about and asked for.
type record struct {
	mu       sync.Mutex
	trouble  []string
	requests []string
}

func (r *record) event(ev any) {
	r.mu.Lock()
	defer r.mu.Unlock()
	switch e := ev.(type) {
	case *runtime.EventConsoleAPICalled:
		r.trouble = append(r.trouble, "console: "+string(e.Type))
	case *runtime.EventExceptionThrown:
		r.trouble = append(r.trouble, "exception: "+e.ExceptionDetails.Text)
	case *log.EventEntryAdded:
		r.trouble = append(r.trouble, "log: "+e.Entry.Text)
	case *network.EventRequestWillBeSent:
		r.requests = append(r.requests, e.Request.URL)
	}
}

func (r *record) reset() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.trouble, r.requests = nil, nil
}

func (r *record) take() (trouble, requests []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.trouble, r.requests
}

func listen(t *testing.T, ctx context.Context) *record {
	t.Helper()
	rec := &record{}
	require.NoError(t, chromedp.Listen(ctx, rec.event))
	require.NoError(t, chromedp.Do(ctx, chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, network.Enable, network.EnableParams{})
		return err
	})))
	return rec
}

func colourScheme(scheme string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
		})
		return err
	})
}

func serve(t *testing.T, page []byte) string {
	t.Helper()
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/page.html" {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_, _ = w.Write(page)
	}))
	t.Cleanup(srv.Close)
	return srv.URL + "/page.html"
}

func axe(t *testing.T) string {
	t.Helper()
	path := os.Getenv("CALPROOF_AXE")
	if path == "" {
		missing(t, "CALPROOF_AXE does not name the axe-core script: no accessibility check")
	}
	script, err := os.ReadFile(path)
	require.NoError(t, err)
	return string(script)
}

// keepPicture stores a picture for a person to look at, if one asked for it.
func keepPicture(t *testing.T, name string, data []byte) {
	t.Helper()
	dir := os.Getenv("CALPROOF_PICTURES")
	if dir == "" {
		return
	}
	require.NoError(t, os.MkdirAll(dir, 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, name), data, 0o644))
}

// TestPages opens every page at three widths, light and dark.
func TestPages(t *testing.T) {
	ctx := browser(t)
	rec := listen(t, ctx)
	for _, page := range pages(t) {
		t.Run(page.name, func(t *testing.T) {
			url := serve(t, page.html)
			for _, width := range []int64{320, 768, 1280} {
				rec.reset()
				require.NoError(t, chromedp.Do(ctx,
					chromedp.EmulateViewport(width, 900), colourScheme("light"), chromedp.Navigate(url)))
				text, err := chromedp.Run(ctx, chromedp.Evaluate[string](`document.body.innerText`))
				require.NoError(t, err)
				for _, want := range page.wants {
					assert.True(t, strings.Contains(strings.ToLower(text), strings.ToLower(want)), "not at %d px: %s", width, want)
				}
				over, err := chromedp.Run(ctx, chromedp.Evaluate[int](`document.documentElement.scrollWidth - window.innerWidth`))
				require.NoError(t, err)
				assert.LessOrEqual(t, over, 0, "the page scrolls sideways at %d px", width)
				broken, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](
					`[...document.querySelectorAll('a')].filter(a => !a.hash || !document.querySelector(a.hash)).map(a => a.outerHTML)`))
				require.NoError(t, err)
				assert.Empty(t, broken, "links that lead nowhere on the page")
				resources, err := chromedp.Run(ctx, chromedp.Evaluate[int](`performance.getEntriesByType('resource').length`))
				require.NoError(t, err)
				assert.Zero(t, resources, "the page fetched something")
				scripts, err := chromedp.Run(ctx, chromedp.Evaluate[int](`document.scripts.length`))
				require.NoError(t, err)
				assert.Zero(t, scripts, "the page has a script")
				title, err := chromedp.Run(ctx, chromedp.Title())
				require.NoError(t, err)
				assert.NotEqual(t, "owned", title, "a name on the page was run")
				if os.Getenv("CALPROOF_PICTURES") != "" && !page.big {
					for _, scheme := range []string{"light", "dark"} {
						require.NoError(t, chromedp.Do(ctx, colourScheme(scheme)))
						shot, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
						require.NoError(t, err)
						keepPicture(t, fmt.Sprintf("%s-%d-%s.png", page.name, width, scheme), shot)
					}
				}
				trouble, requests := rec.take()
				assert.Empty(t, trouble, "the browser complained")
				assert.Equal(t, []string{url}, requests, "requests at width %d", width)
			}
		})
	}
}

// TestAccessibility runs axe-core with the rules of WCAG 2.1 A and AA and its
// own best practices, light and dark, narrow and wide.
func TestAccessibility(t *testing.T) {
	script := axe(t)
	ctx := browser(t)
	for _, page := range pages(t) {
		if page.big {
			continue // the same elements as a small page, a thousand times
		}
		t.Run(page.name, func(t *testing.T) {
			url := serve(t, page.html)
			for _, look := range []struct {
				scheme string
				width  int64
			}{{"light", 320}, {"dark", 1280}, {"light", 1280}} {
				require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(look.width, 900), colourScheme(look.scheme), chromedp.Navigate(url)))
				_, err := chromedp.Run(ctx, chromedp.Evaluate[chromedp.Void](script))
				require.NoError(t, err)
				raw, err := chromedp.Run(ctx, chromedp.Evaluate[string](
					`axe.run(document, {runOnly: ['wcag2a','wcag2aa','wcag21a','wcag21aa','best-practice']}).then(r => JSON.stringify({
						checked: r.passes.length,
						faults: r.violations.map(v => v.id + ': ' + v.help + ' ' + v.nodes.slice(0,3).map(n => n.html.slice(0,160) + ' ' + n.failureSummary).join(' | '))
					}))`, chromedp.EvalAwaitPromise))
				require.NoError(t, err)
				var result struct {
					Checked int
					Faults  []string
				}
				require.NoError(t, json.Unmarshal([]byte(raw), &result))
				assert.Greater(t, result.Checked, 10, "the check ran")
				assert.Empty(t, result.Faults, "%s at %d px", look.scheme, look.width)
			}
		})
	}
}

// TestKeyboard reaches every part that scrolls, and the skip link first.
func TestKeyboard(t *testing.T) {
	ctx := browser(t)
	for _, page := range pages(t) {
		t.Run(page.name, func(t *testing.T) {
			require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(320, 900), chromedp.Navigate(serve(t, page.html)), chromedp.KeyEvent("\t")))
			first, err := chromedp.Run(ctx, chromedp.Evaluate[string](`document.activeElement.className`))
			require.NoError(t, err)
			assert.Equal(t, "skip", first)
			unreachable, err := chromedp.Run(ctx, chromedp.Evaluate[int](
				`[...document.querySelectorAll('*')].filter(e => e.scrollWidth > e.clientWidth + 1 && /auto|scroll/.test(getComputedStyle(e).overflowX) && e.tabIndex < 0).length`))
			require.NoError(t, err)
			assert.Zero(t, unreachable, "parts that scroll and cannot be reached by keyboard")
		})
	}
}

// TestPrint prints on A4 and Letter and reads the text back from the PDF.
func TestPrint(t *testing.T) {
	tool, err := exec.LookPath("pdftotext")
	if err != nil {
		missing(t, "no pdftotext: install poppler-utils to run this test")
	}
	ctx := browser(t)
	for _, page := range pages(t) {
		for paper, size := range map[string][2]float64{"A4": {210 / 25.4, 297 / 25.4}, "Letter": {8.5, 11}} {
			t.Run(page.name+" "+paper, func(t *testing.T) {
				require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(serve(t, page.html))))
				pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(func(p *cdppage.PrintToPDFParams) {
					p.PaperWidth, p.PaperHeight = size[0], size[1]
				}))
				require.NoError(t, err)
				file := filepath.Join(t.TempDir(), "page.pdf")
				require.NoError(t, os.WriteFile(file, pdf, 0o644))
				keepPicture(t, page.name+"-"+paper+".pdf", pdf)
				out, err := exec.Command(tool, "-layout", file, "-").Output()
				require.NoError(t, err)
				text := strings.Join(strings.Fields(strings.ToLower(string(out))), " ")
				for _, want := range page.prints {
					assert.True(t, strings.Contains(text, strings.ToLower(want)), "not on paper: %s", want)
				}
			})
		}
	}
}
