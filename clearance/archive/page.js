"use strict";
// The rows stand in the page as data; of a long table only what is in sight is drawn.
const data = JSON.parse(document.getElementById("rows").textContent);
const HEIGHT = 30, MORE = 12, PRINTED = 2000;
const GRAVE = { "": 9, clear: 0, close: 1, undecided: 2, clash: 3, "not judged": 4 };
const [SETUP, BEFORE, NOW, CHANGE, LOST, SPARE, LOST_SAID, SPARE_SAID, SAID] = [...Array(9).keys()];
const box = document.getElementById("box"), body = document.getElementById("body");
const told = document.getElementById("told"), count = document.getElementById("count");
const change = document.getElementById("change"), verdict = document.getElementById("verdict");
const words = document.getElementById("words");
const all = data.map((row, k) => k);
let shown = all, by = null, down = false, chosen = null;

const VALUE = {
  setup: (row) => row[SETUP], before: (row) => GRAVE[row[BEFORE]], now: (row) => GRAVE[row[NOW]],
  lost: (row) => row[LOST], spare: (row) => row[SPARE], said: (row) => row[SAID],
};

function chooseRows() {
  const look = words.value.trim().toLowerCase().split(/\s+/).filter(Boolean);
  shown = all.filter((k) => {
    const row = data[k];
    if (change.value && !row[CHANGE].includes(change.value)) return false;
    if (verdict.value && row[NOW] !== verdict.value) return false;
    const text = (row[SETUP] + " " + row[SAID]).toLowerCase();
    return look.every((word) => text.includes(word));
  });
  if (by) {
    const value = VALUE[by];
    // what has no figure stands last, whichever way
    const order = (a, b) => {
      const [x, y] = [value(data[a]), value(data[b])];
      if (x === null || y === null) return (x === null) - (y === null) || a - b;
      return (x < y ? -1 : x > y ? 1 : 0) * (down ? -1 : 1) || a - b;
    };
    shown.sort(order);
  }
  count.textContent = shown.length === data.length
    ? `${data.length} setups` : `${shown.length} of ${data.length} setups`;
  box.scrollTop = 0;
  draw();
}

function cell(text, name) {
  const made = document.createElement("td");
  made.textContent = text;
  made.title = text;
  if (name) made.className = name;
  return made;
}

function line(k) {
  const row = data[k], made = document.createElement("tr");
  made.dataset.k = k;
  made.tabIndex = 0;
  if (k === chosen) made.className = "chosen";
  made.append(
    cell(row[BEFORE], "v " + row[BEFORE]), cell(row[NOW], "v " + row[NOW].split(" ")[0]), cell(row[SETUP]),
    cell(row[SPARE_SAID], "n"), cell(row[LOST_SAID], "n"), cell(row[SAID]),
  );
  return made;
}

function gap(height) {
  const made = document.createElement("tr");
  made.className = "gap";
  made.style.height = height + "px";
  return made;
}

function draw() {
  const first = Math.max(Math.floor(box.scrollTop / HEIGHT) - MORE, 0);
  const last = Math.min(first + Math.ceil(box.clientHeight / HEIGHT) + 2 * MORE, shown.length);
  const rows = shown.slice(first, last).map(line);
  body.replaceChildren(gap(first * HEIGHT), ...rows, gap((shown.length - last) * HEIGHT));
}

function choose(k) {
  chosen = k;
  const row = data[k];
  told.replaceChildren();
  const name = document.createElement("strong");
  name.textContent = row[SETUP];
  const text = document.createElement("p");
  text.textContent = row[SAID];
  told.append(name, text);
  draw();
}

for (const head of document.querySelectorAll("th[data-by]")) {
  head.querySelector("button").addEventListener("click", () => {
    if (by !== head.dataset.by) [by, down] = [head.dataset.by, head.dataset.first === "down"];
    else if (down === (head.dataset.first === "down")) down = !down;
    else by = null;  // the third time: by what is lost, as it came
    for (const each of document.querySelectorAll("th[data-by]")) {
      if (each.dataset.by === by) each.setAttribute("aria-sort", down ? "descending" : "ascending");
      else each.removeAttribute("aria-sort");
    }
    chooseRows();
  });
}
for (const each of [change, verdict]) each.addEventListener("change", chooseRows);
words.addEventListener("input", chooseRows);
box.addEventListener("scroll", () => requestAnimationFrame(draw));
window.addEventListener("resize", draw);
body.addEventListener("click", (event) => {
  const row = event.target.closest("tr[data-k]");
  if (row) choose(Number(row.dataset.k));
});
body.addEventListener("keydown", (event) => {
  const row = event.target.closest("tr[data-k]");
  if (row && event.key === "Enter") choose(Number(row.dataset.k));
});
// on paper there is nothing to scroll: what is chosen is drawn whole, as far as anybody will turn pages
window.addEventListener("beforeprint", () => {
  body.replaceChildren(...shown.slice(0, PRINTED).map(line));
  if (shown.length > PRINTED) count.textContent += `, the first ${PRINTED} of them printed`;
});
window.addEventListener("afterprint", chooseRows);
chooseRows();
