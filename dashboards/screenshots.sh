#!/bin/sh
# Pictures of the demo's pages for the README: a phone and a desktop, light and
# dark. Run it again after a change of the pages; it needs go, curl and chromium:
#
#   sh dashboards/screenshots.sh
set -eu
cd "$(dirname "$0")/.."
work=$(mktemp -d)
demo=
trap '[ -z "$demo" ] || kill -INT "$demo"; rm -rf "$work"' EXIT
trap 'exit 1' INT TERM

go build -o "$work/arcdrift" ./cmd/arcdrift
: >"$work/says"
"$work/arcdrift" demo --http-listen 127.0.0.1:0 --mqtt-listen 127.0.0.1:0 >"$work/says" 2>"$work/talk" &
demo=$!
until grep -q Ctrl-C "$work/says"; do
	kill -0 "$demo" || { cat "$work/talk"; exit 1; }
	sleep 1
done
pages=$(sed -n 's/^Look at *//p' "$work/says")
# until the answers have caught up with the history and the board is drawn
drawn() {
	curl -s "${pages%/}/api/v1/machines/K-07" | grep -q '"state":"service-soon"' || return 1
	curl -s -o "$work/board" "$pages"
	lines=$(grep -c '<div class="id">' "$work/board") && [ "$(grep -c '<div class="panels">' "$work/board")" = "$lines" ]
}
until drawn; do sleep 1; done

# picture NAME THEME WIDTH HEIGHT PATH: dark is 0 and light 1 to the browser.
picture() {
	chromium --headless=old --no-sandbox --disable-gpu --hide-scrollbars --user-data-dir="$work/browser-$1" \
		--blink-settings=preferredColorScheme="$2" --window-size="$3,$4" --virtual-time-budget=3000 \
		--screenshot="$work/$1.jpeg" "${pages%/}$5" 2>>"$work/talk"
	mv "$work/$1.jpeg" "dashboards/screenshots/$1.jpg"
}

picture board-phone 1 390 844 /
picture moved-phone 0 390 1100 '/moved?machine=K-03&temperature_c=9&humidity_pct=76&altitude_m=12'
picture board-desktop 0 1280 720 /
picture machine-desktop 1 1100 1060 /machines/K-07
ls -l dashboards/screenshots
