package web

import (
	"bytes"
	"fmt"
	"image"
	"image/png"
	"math"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	cdpage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// drawn is what somebody who sees no colours sees of the n-th element of a
// selector, four times enlarged.
func (b *tab) drawn(selector string, n int) image.Image {
	b.t.Helper()
	box := look[[4]float64](b, fmt.Sprintf(`(() => {
		const r = document.querySelectorAll(%q)[%d].getBoundingClientRect();
		return [r.x + scrollX, r.y + scrollY, r.width, r.height];
	})()`, selector, n))
	shot, err := chromedp.Call(b.ctx, cdpage.CaptureScreenshot, cdpage.CaptureScreenshotParams{
		Clip: &cdpage.Viewport{X: box[0], Y: box[1], Width: box[2], Height: box[3], Scale: 4}, CaptureBeyondViewport: new(true)})
	require.NoError(b.t, err)
	picture, err := png.Decode(bytes.NewReader(shot.Data))
	require.NoError(b.t, err)
	return picture
}

// ink is where a drawing differs clearly from its ground, and by which contrast
// at most: the ratio of relative luminances of WCAG 2.2.
func ink(t testing.TB, picture image.Image) (mask []bool, contrast float64) {
	t.Helper()
	bounds := picture.Bounds()
	light := func(x, y int) float64 {
		r, g, b, _ := picture.At(x, y).RGBA()
		require.InDelta(t, r, g, 0x300, "grey")
		require.InDelta(t, g, b, 0x300, "grey")
		v := float64(g) / 0xffff
		if v <= 0.04045 {
			return v / 12.92
		}
		return math.Pow((v+0.055)/1.055, 2.4)
	}
	ground := light(bounds.Min.X, bounds.Min.Y)
	for y := bounds.Min.Y; y < bounds.Max.Y; y++ {
		for x := bounds.Min.X; x < bounds.Max.X; x++ {
			l := light(x, y)
			ratio := (max(l, ground) + 0.05) / (min(l, ground) + 0.05)
			mask, contrast = append(mask, ratio > 1.8), max(contrast, ratio)
		}
	}
	return mask, contrast
}

// unlike is the share of what is inked in one of two masks that is not in both.
func unlike(a, b []bool) float64 {
	either, one := 0, 0
	for i := range min(len(a), len(b)) {
		if a[i] || b[i] {
			either++
			if a[i] != b[i] {
				one++
			}
		}
	}
	return float64(one) / float64(max(either, 1))
}

// Without colours, as in print or to somebody who sees none, the shapes of the
// states, the signs of the charts and what is chosen are distinct, and differ
// from their background by 3 to 1 (WCAG 2.2, 1.4.11).
func TestReadableInGrey(t *testing.T) {
	b := open(t, crowd(30))
	b.do(chromedp.EmulateViewport(1280, 900))
	_, err := chromedp.Call(b.ctx, emulation.SetEmulatedVisionDeficiency, emulation.SetEmulatedVisionDeficiencyParams{Type: "achromatopsia"})
	require.NoError(t, err)
	for _, scheme := range []string{"light", "dark"} {
		b.theme(scheme)
		for _, c := range []struct {
			path, selector string
			signs          int
		}{{"/", ".chip svg", 5}, {"/machines/K-07", ".key svg", 7}} {
			b.show(c.path)
			var masks [][]bool
			require.Equal(t, c.signs, look[int](b, fmt.Sprintf(`document.querySelectorAll(%q).length`, c.selector)))
			for i := range c.signs {
				mask, contrast := ink(t, b.drawn(c.selector, i))
				assert.GreaterOrEqual(t, contrast, 3.0, "%s, %s %d", scheme, c.selector, i)
				for j, other := range masks {
					assert.Greater(t, unlike(mask, other), 0.25, "%s, %s: %d beside %d", scheme, c.selector, i, j)
				}
				masks = append(masks, mask)
			}
		}
		// Every state has words, too; TestEveryStateHasWordAndShape checks that.
		b.show("/log?machine=K-07")
		contrast := look[float64](b, `(() => {
			const light = (e) => {
				const [r, g, b] = getComputedStyle(e).backgroundColor.match(/[\d.]+/g).map((v) => v / 255).map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
				return 0.2126 * r + 0.7152 * g + 0.0722 * b + 0.05;
			};
			const two = ["input:checked + span", "input:not(:checked) + span"].map((s) => light(document.querySelector("#attempts " + s)));
			return Math.max(...two) / Math.min(...two);
		})()`)
		assert.GreaterOrEqual(t, contrast, 3.0, "%s: what is chosen", scheme)
	}
}
