// Shows the values at a point of a chart, by pointer, touch and keyboard, and saves charts
// as pictures. The values are those of the table on the page; without this script it is
// there to be read.
let rows = [], head = [];

function readTable() {
  const table = document.getElementById("values");
  rows = table ? [...table.tBodies[0].rows].filter((r) => r.dataset.at).sort((a, b) => a.dataset.at - b.dataset.at) : [];
  head = table ? [...table.tHead.rows[0].cells].slice(1).map((c) => c.textContent) : [];
}

function words(row, columns) {
  const cells = [...row.cells];
  return cells[0].textContent + ": " + columns.map((k) => `${head[k]} ${cells[k + 1].textContent}`).join(", ");
}

function nearest(at) {
  let best = 0;
  rows.forEach((row, i) => { if (Math.abs(row.dataset.at - at) < Math.abs(rows[best].dataset.at - at)) best = i; });
  return best;
}

function makeReadable(figure) {
  const svgs = [...figure.querySelectorAll("svg[data-left]")];
  const columns = figure.dataset.columns.split(" ").map(Number);
  const face = document.createElement("div");
  face.className = "face";
  svgs[0].before(face);
  face.append(...svgs);
  const line = Object.assign(document.createElement("p"), { className: "readout", textContent: "Point at the chart, or use the arrow keys, to read values." });
  line.setAttribute("aria-hidden", "true"); // the slider's own text says the same
  face.after(line);
  const title = svgs[0].querySelector("title").textContent;
  Object.entries({ tabindex: 0, role: "slider", "aria-label": "Values of: " + title, "aria-valuemin": 0, "aria-valuemax": rows.length - 1, "aria-valuenow": rows.length - 1 }).forEach(([k, v]) => face.setAttribute(k, v));
  face.setAttribute("aria-valuetext", words(rows.at(-1), columns));
  let now = rows.length - 1;

  function show(i) {
    now = Math.min(Math.max(i, 0), rows.length - 1);
    const text = words(rows[now], columns);
    line.textContent = text;
    face.setAttribute("aria-valuenow", now);
    face.setAttribute("aria-valuetext", text);
    for (const svg of svgs) {
      const d = svg.dataset, x = Number(d.left) + rows[now].dataset.at * (d.right - d.left);
      let cursor = svg.querySelector(".cursor");
      if (!cursor) {
        cursor = document.createElementNS("http://www.w3.org/2000/svg", "path");
        cursor.setAttribute("class", "cursor");
        svg.append(cursor);
      }
      cursor.setAttribute("d", `M${x} ${d.top}V${d.bottom}`);
    }
  }

  function point(event) {
    const svg = svgs.find((s) => s.checkVisibility()) ?? svgs[0];
    const box = svg.getBoundingClientRect(), d = svg.dataset;
    const x = ((event.clientX - box.left) / box.width) * svg.viewBox.baseVal.width;
    show(nearest((x - d.left) / (d.right - d.left)));
  }
  face.addEventListener("pointermove", point);
  face.addEventListener("pointerdown", point);
  face.addEventListener("keydown", (event) => {
    const step = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -10, PageUp: 10, Home: -Infinity, End: Infinity }[event.key];
    if (step === undefined) return;
    event.preventDefault();
    show(now + step);
  });
}

// A saved picture has no style sheet: what the page gives each part goes with it.
const kept = ["fill", "stroke", "stroke-width", "stroke-dasharray", "opacity", "font-family", "font-size", "font-weight", "text-anchor", "paint-order"];
function picture(svg) {
  const copy = svg.cloneNode(true);
  copy.querySelector(".cursor")?.remove();
  const from = [svg, ...svg.querySelectorAll(":not(.cursor)")], to = [copy, ...copy.querySelectorAll("*")];
  from.forEach((part, i) => {
    const style = getComputedStyle(part);
    for (const name of kept) to[i].setAttribute(name, style.getPropertyValue(name));
  });
  const { width, height } = svg.viewBox.baseVal;
  Object.entries({ xmlns: "http://www.w3.org/2000/svg", width, height }).forEach(([k, v]) => copy.setAttribute(k, v));
  const paper = document.createElementNS("http://www.w3.org/2000/svg", "rect");
  Object.entries({ width, height, fill: getComputedStyle(svg.closest("figure")).backgroundColor }).forEach(([k, v]) => paper.setAttribute(k, v));
  copy.prepend(paper);
  return { blob: new Blob([new XMLSerializer().serializeToString(copy)], { type: "image/svg+xml" }), width, height };
}

function download(blob, name) {
  const link = Object.assign(document.createElement("a"), { href: URL.createObjectURL(blob), download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}

async function save(figure, form) {
  const svg = [...figure.querySelectorAll("svg[data-left]")].find((s) => s.checkVisibility());
  const name = svg.querySelector("title").textContent.replace(/[^\w-]+/g, "-");
  const { blob, width, height } = picture(svg);
  if (form === "SVG") return download(blob, name + ".svg");
  const image = new Image();
  image.src = URL.createObjectURL(blob);
  await image.decode();
  const canvas = Object.assign(document.createElement("canvas"), { width: 2 * width, height: 2 * height });
  canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
  URL.revokeObjectURL(image.src);
  canvas.toBlob((png) => download(png, name + ".png"));
}

function offerToSave(figures) {
  const place = document.querySelector(".save");
  if (!place) return;
  let of = figures[0];
  if (figures.length > 1) {
    const div = document.createElement("div");
    const label = Object.assign(document.createElement("label"), { textContent: "Picture of", htmlFor: "picture" });
    const select = Object.assign(document.createElement("select"), { id: "picture" });
    figures.forEach((f, i) => select.add(new Option(f.querySelector("title").textContent, i)));
    select.addEventListener("change", () => { of = figures[select.value]; });
    div.append(label, select);
    place.append(div);
  }
  for (const form of ["SVG", "PNG"]) {
    const button = Object.assign(document.createElement("button"), { type: "button", textContent: "Save as " + form });
    button.addEventListener("click", () => save(of, form));
    place.append(button);
  }
}

function start() {
  readTable();
  const figures = [...document.querySelectorAll("figure[data-columns]")];
  if (figures.length === 0) return;
  if (rows.length > 0) figures.forEach(makeReadable);
  offerToSave(figures);
}
start();
document.addEventListener("swapped", start);
