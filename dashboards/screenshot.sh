#!/bin/sh
# Pictures of the pages; it needs go, curl and chromium.
#
#   sh dashboards/screenshot.sh        the demo's fleet page for the README: run it again
#                                      after a change of the page
#   sh dashboards/screenshot.sh DIR    every page of the program into DIR, on a phone and
#                                      a desktop, light and dark, with the tests' fleet
set -eu
if [ $# -gt 0 ]; then
	mkdir -p "$1"
	into=$(cd "$1" && pwd)
	cd "$(dirname "$0")/.."
	exec go test ./agent/web -count 1 -timeout 30m -run '^TestPagesInABrowser$' -draw "$into"
fi
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
	curl -s -o "$work/board" "${pages%/}/machines"
	# and until the demo's decisions on what is past have counted
	grep -q 'Splices to decide on: [0-9] finding' "$work/board" || return 1
	lines=$(grep -c '<div class="id">' "$work/board") && [ "$(grep -c '<div class="panels">' "$work/board")" = "$lines" ]
}
until drawn; do sleep 1; done

# 1 is the light theme to the browser.
chromium --headless=old --no-sandbox --disable-gpu --hide-scrollbars --user-data-dir="$work/browser" \
	--blink-settings=preferredColorScheme=1 --window-size=1100,700 --virtual-time-budget=3000 \
	--screenshot="$work/fleet.webp" "${pages%/}/machines" 2>>"$work/talk"
mv "$work/fleet.webp" dashboards/fleet.webp
ls -l dashboards/fleet.webp
