// What this phone can do, and a way to hand over what waits on it.
import { able, onNews, waiting } from "./queue.js";

const list = document.getElementById("kept");
let file;

async function show() {
  const kept = await waiting();
  list.replaceChildren(
    ...kept.map((item) => Object.assign(document.createElement("li"), { textContent: `${item.record.machine}, ${item.record.passed ? "passed" : "failed"}, ${new Date(item.record.time).toLocaleString([], { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" })}` })),
  );
  document.getElementById("none").hidden = kept.length > 0;
  const link = document.getElementById("hand-over");
  link.hidden = kept.length === 0;
  if (file) URL.revokeObjectURL(file);
  file = URL.createObjectURL(new Blob(kept.map((item) => JSON.stringify(item.record) + "\n"), { type: "application/jsonl" }));
  link.href = file;
}

if (able()) {
  document.getElementById("can").hidden = false;
  document.getElementById("cannot").hidden = true;
  onNews(show);
  show();
}
