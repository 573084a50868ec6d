package pages

import (
	"bytes"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"
)

func TestNumbersInWords(t *testing.T) {
	for _, tt := range []struct{ got, want string }{
		{DB(-0.04), "0.0"}, {DB(-1.25), "−1.2"}, {DB(math.NaN()), "–"}, {DB(math.Inf(1)), "–"},
		{Signed(0.04), "0.0"}, {Signed(0.06), "+0.1"}, {Signed(-3), "−3.0"}, {Signed(math.NaN()), "–"},
		{Percent(1), "100 %"}, {Percent(0.996), "over 99 %"}, {Percent(0.994), "99 %"}, {Percent(0), "0 %"}, {Percent(0.004), "under 1 %"},
		{Percent(math.NaN()), "–"}, {Percent(0.975), "98 %"},
		{Count(1, "unit", "units"), "1 unit"}, {Count(0, "unit", "units"), "0 units"}, {Count(9999, "unit", "units"), "9999 units"},
		{Count(12000, "unit", "units"), "12\u202f000 units"}, {Count(1234567, "unit", "units"), "1\u202f234\u202f567 units"},
		{Frequency(31.5), "31.5 Hz"}, {Frequency(1250), "1.25 kHz"}, {Frequency(20), "20 Hz"}, {Frequency(19897.13), "19.9 kHz"}, {Frequency(999.99), "1 kHz"},
		{Sentence("left, 63 Hz band"), "Left, 63 Hz band."}, {Sentence("Look there."), "Look there."}, {Sentence(""), ""}, {Sentence("érable"), "Érable."},
		{UnitPath("A/1 %ü"), "/units/A%2F1%20%25%C3%BC"}, {StreamPath("p", "deviation/left/63"), "/streams/p/deviation%2Fleft%2F63"},
	} {
		if tt.got != tt.want {
			t.Errorf("%q, want %q", tt.got, tt.want)
		}
	}
}

func TestTimesCarryTheirOffset(t *testing.T) {
	zone, err := time.LoadLocation("Asia/Kathmandu")
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 1, 5, 23, 30, 0, 0, time.UTC).In(zone)
	if got := string(Stamp(at)); got != `<time datetime="2026-01-06T05:15:00+05:45">2026-01-06 05:15 +05:45</time>` {
		t.Error(got)
	}
	if got := Day(at); got != "Tue 2026-01-06" {
		t.Error(got)
	}
}

// A verdict is a sign, a word and a colour together; a word from elsewhere cannot
// become markup.
func TestMark(t *testing.T) {
	if got := string(Mark("fail")); got != `<span class="mark look-fail"><span aria-hidden="true">✗</span> fail</span>` {
		t.Error(got)
	}
	if got := string(Mark(`<b>"`)); strings.Contains(got, "<b>") || !strings.Contains(got, "look-other") {
		t.Error(got)
	}
}

func TestShares(t *testing.T) {
	got := string(Shares([]Share{{"pass", 3}, {"fail", 1}}))
	if !strings.Contains(got, `x="0.0" y="0" width="750.0"`) || !strings.Contains(got, `x="750.0" y="0" width="250.0"`) {
		t.Error(got)
	}
	if Shares(nil) != "" {
		t.Error("a bar of nothing")
	}
}

// Every asset is there under the hash of its content, and names only others that are.
func TestAssets(t *testing.T) {
	if len(assetByName) < 5 {
		t.Fatalf("%d assets", len(assetByName))
	}
	ref := regexp.MustCompile(`url\(([^)]*)\)`)
	for name, a := range assetByName {
		got, ok := AssetAt(AssetPath(name))
		if !ok || !bytes.Equal(got.Content, a.Content) || len(got.Content) == 0 || got.Type == "" {
			t.Errorf("%s: %v %q", name, ok, got.Type)
		}
		if !regexp.MustCompile(`^/static/[a-z0-9-]+\.[0-9a-f]{16}\.(css|js|mjs|svg|txt)$`).MatchString(a.Path) {
			t.Errorf("%s lies at %s", name, a.Path)
		}
		if !strings.HasPrefix(a.Type, "text/css") {
			continue
		}
		for _, m := range ref.FindAllSubmatch(a.Content, -1) {
			if _, ok := AssetAt(string(m[1])); !ok {
				t.Errorf("%s names %s, which is not there", name, m[1])
			}
		}
		if bytes.Contains(a.Content, []byte("http:")) || bytes.Contains(a.Content, []byte("https:")) {
			t.Errorf("%s reaches elsewhere", name)
		}
	}
	if _, ok := AssetAt("/static/app.0000000000000000.css"); ok {
		t.Error("an asset under another hash")
	}
}
