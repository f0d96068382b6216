package maps

import (
	"encoding/json"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func languagePage(t *testing.T) string {
	data, err := os.ReadFile("LANGUAGE.md")
	require.NoError(t, err)
	return strings.ReplaceAll(string(data), "\r\n", "\n")
}

// TestLanguagePageParses parses every example of the reference page. One that
// is no whole map gets a head, and the region its rules may name.
func TestLanguagePageParses(t *testing.T) {
	blocks := regexp.MustCompile("(?s)```toml\n(.*?)```").FindAllStringSubmatch(languagePage(t), -1)
	require.GreaterOrEqual(t, len(blocks), 12)
	for i, b := range blocks {
		text := b[1]
		if !strings.Contains(text, "format = 1") {
			text = "format = 1\n[image]\nsize = 0x80000\nbyte_order = \"big\"\n" + text
			if strings.Contains(text, `"calibration"`) && !strings.Contains(text, "[[region]]") {
				text += "\n[[region]]\nname = \"calibration\"\nrange = \"0x7000-0x7FFF\"\nrole = \"calibration\"\n"
			}
		}
		_, err := Parse(fmt.Sprintf("LANGUAGE.md, example %d", i+1), []byte(text))
		assert.NoError(t, err, "%s", text)
		assert.NoError(t, compiled(t).Validate(document(t, []byte(text))))
	}
}

// TestLanguagePageIsComplete looks for every key and every value of the
// language, every code of a finding and every limit on the page.
func TestLanguagePageIsComplete(t *testing.T) {
	page := languagePage(t)
	var doc any
	require.NoError(t, json.Unmarshal(Schema(), &doc))
	seen := 0
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case map[string]any:
			props, _ := v["properties"].(map[string]any)
			for key := range props {
				seen++
				assert.Regexp(t, "`(\\[|\\[\\[|\\{ )?"+key+"[` ,\\]}]|, "+key+" \\}`", page, "the key %s is not explained", key)
			}
			values, _ := v["enum"].([]any)
			for _, value := range values {
				seen++
				assert.Regexp(t, fmt.Sprintf("`\"?%s\"?`", value), page, "the value %s is not explained", value)
			}
			for _, x := range v {
				walk(x)
			}
		case []any:
			for _, x := range v {
				walk(x)
			}
		}
	}
	walk(doc)
	require.Greater(t, seen, 150)
	for _, code := range []string{CodeSize, CodeMissing, CodeOutside, CodeAgrees, CodeMismatch, CodeUnreadable, CodeUnset, CodeEmpty} {
		assert.Contains(t, page, "| `"+code+"` |")
	}
	limits := page[strings.Index(page, "## Limits"):]
	for _, limit := range []string{
		fmt.Sprintf("%d MiB", MaxMapBytes>>20), fmt.Sprintf("| %d |", MaxProblems), fmt.Sprintf("%d each", MaxEntries),
		fmt.Sprintf("| %d, each with %d entries", MaxRules, maxCovers), fmt.Sprintf("| %d; repetitions times entries in `cover` and `count` %d |", MaxRepeats, maxPieces),
		fmt.Sprintf("all rules together | %d |", MaxResults), fmt.Sprintf("| %d |", MaxTableCells),
		fmt.Sprintf("%d MiB if that is more", MaxCovered(0)>>20),
	} {
		assert.Contains(t, limits, limit)
	}
}
