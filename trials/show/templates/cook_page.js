"use strict";
const round = JSON.parse(document.getElementById("round").textContent);
const byId = (id) => document.getElementById(id);
const entries = {};
let at = 0;
let keeps = true;

function restore() {
  try {
    const kept = JSON.parse(localStorage.getItem(round.key) || "{}");
    Object.assign(entries, kept.entries || {});
    at = Math.min(Math.max(Number(kept.at) || 0, 0), round.bakes.length - 1);
  } catch (error) {
    keeps = false;
  }
}

function keep() {
  try {
    localStorage.setItem(round.key, JSON.stringify({ entries, at }));
    keeps = true;
  } catch (error) {
    keeps = false;
  }
  byId("forgets").hidden = keeps;
}

const bake = () => round.bakes[at];
const entered = (id, name) => (entries[id] || {})[name] || "";

function enter(name, value) {
  entries[bake().bake] = { ...entries[bake().bake], [name]: String(value) };
  keep();
}

function element(tag, properties, ...children) {
  const made = Object.assign(document.createElement(tag), properties || {});
  made.append(...children);
  return made;
}

function typed(name, label, free) {
  const input = element("input", { className: "typed", inputMode: free ? "text" : "decimal",
    maxLength: free ? 1000 : 20,
    value: entered(bake().bake, name), ariaLabel: label });
  input.addEventListener("input", () => enter(name, input.value.trim()));
  return input;
}

function chosen(name, label, levels) {
  const select = element("select", { ariaLabel: label }, element("option", { value: "" }, ""),
    ...levels.map(([value, shown]) => element("option", { value }, shown)));
  select.value = entered(bake().bake, name);
  select.addEventListener("change", () => enter(name, select.value));
  return select;
}

function ingredient(one) {
  const name = "weighed " + one.key;
  const box = element("input", { type: "checkbox", checked: entered(bake().bake, "tick " + one.key) !== "",
    ariaLabel: one.name + " is in" });
  box.addEventListener("change", () => enter("tick " + one.key, box.checked ? "yes" : ""));
  return element("div", { className: "row" }, box, element("span", {}, one.name),
    element("b", {}, one.grams), typed(name, one.name + " really weighed, g"));
}

function setting(one) {
  const name = round.actual + one.name;
  const label = one.name + " really was";
  return element("div", { className: "row" }, element("span", {}, one.name + (one.shared ? " ▪" : "")),
    element(one.weighed ? "em" : "b", {}, one.shown), one.levels ? chosen(name, label, one.levels) : typed(name, label));
}

function ticked(one) {
  const now = entered(bake().bake, one.name).split("; ");
  // "None of these" takes every other tick away, and any other tick takes it away
  const value = (word) => (word === one.none ? one.said : word);
  const boxes = one.words.map((word) => element("input", { type: "checkbox", value: value(word),
    checked: now.includes(value(word)), ariaLabel: one.name + ": " + word }));
  boxes.forEach((box, at) => box.addEventListener("change", () => {
    const isNone = (place) => one.words[place] === one.none;
    boxes.forEach((other, place) => {
      if (box.checked && isNone(place) !== isNone(at)) other.checked = false;
    });
    enter(one.name, boxes.filter((each) => each.checked).map((each) => each.value).join("; "));
  }));
  return element("div", { className: "ticks" }, ...one.words.map((word, at) =>
    element("label", {}, boxes[at], " " + word)));
}

function measured(one) {
  const input = one.levels ? chosen(one.name, one.name, one.levels)
    : one.words ? ticked(one) : typed(one.name, one.name, one.free);
  return element("div", { className: "row" },
    element("span", {}, one.name + (one.unit ? ", " + one.unit : "")), input);
}

function grams() {
  const rows = [];
  let part = "";
  for (const one of bake().grams) {
    if (one.part && one.part !== part) rows.push(element("p", { className: "part" }, one.part));
    part = one.part;
    rows.push(ingredient(one));
  }
  return rows;
}

// What the round's sheets held when this page was written; what is entered here comes before it
const known = (id) => (round.bakes.find((one) => one.bake === id) || {}).known || "";
const settled = (id) => entered(id, "status") || known(id);
const state = (id) => settled(id) || "to do";

function showList() {
  const done = round.bakes.filter((one) => settled(one.bake)).length;
  byId("count").textContent = done + " of " + round.bakes.length + " bakes are done.";
  byId("list").replaceChildren(...round.bakes.map((one, place) => {
    const button = element("button", { type: "button", className: place === at ? "chosen" : "" },
      one.bake, element("small", {}, state(one.bake)));
    button.addEventListener("click", () => go(place));
    return button;
  }));
}

function show() {
  const one = bake();
  byId("bake").textContent = one.bake;
  byId("where").textContent = one.where;
  byId("state").textContent = state(one.bake);
  byId("set").hidden = one.settings.length === 0;
  byId("settings").replaceChildren(...one.settings.map(setting));
  byId("within").hidden = one.mixed.length === 0;
  byId("mixed").replaceChildren(...one.mixed.map(setting));
  byId("weigh").hidden = one.grams.length === 0;
  byId("grams").replaceChildren(...grams());
  byId("measures").replaceChildren(...round.measures.map(measured));
  for (const [id, name] of [["dough", "dough"], ["core", "core"], ["reason", "reason"], ["note", "note"]]) {
    byId(id).value = entered(one.bake, name);
  }
  byId("mind").textContent = one.cautions.map(([subject]) => subject).join(", ");
  byId("cautions").replaceChildren(...one.cautions.map(([subject, text]) =>
    element("p", {}, element("b", {}, subject + ": "), text)));
  byId("wrong").hidden = !["failed", "not served", "not baked"].includes(state(one.bake));
  for (const button of document.querySelectorAll("[data-status]")) {
    button.classList.toggle("chosen", button.dataset.status === state(one.bake));
  }
  byId("back").disabled = at === 0;
  byId("next").disabled = at === round.bakes.length - 1;
  byId("forgets").hidden = keeps;
  byId("saved").textContent = "";
  showList();
}

function go(place) {
  at = place;
  keep();
  show();
  byId("main").scrollTo(0, 0);
  byId("bake").focus({ preventScroll: true });
}

function done() {
  enter("status", "made");
  enter("reason", "");
  const after = [...round.bakes.keys()].filter((place) => !settled(round.bakes[place].bake));
  if (after.length) go(after.find((place) => place > at) ?? after[0]);
  else show();
}

function failed() {
  if (!["failed", "not served", "not baked"].includes(state(bake().bake))) enter("status", "failed");
  show();
  byId("reason").scrollIntoView({ block: "center" });
}

function remarks(id) {
  const own = round.bakes.find((one) => one.bake === id);
  const weighed = own.grams.filter((one) => entered(id, "weighed " + one.key))
    .map((one) => one.name + " really " + entered(id, "weighed " + one.key) + " g");
  const dough = entered(id, "dough") ? ["dough " + entered(id, "dough") + " g"] : [];
  const core = entered(id, "core") ? ["core " + entered(id, "core") + " °C"] : [];
  return [entered(id, "note"), ...weighed, ...dough, ...core].filter(Boolean).join("; ");
}

function cell(value) {
  const number = /^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$/.test(value.trim());
  const safe = /^[=+\-@\t\r']/.test(value) && !number ? "'" + value : value;
  return /[",;\t\r\n]/.test(safe) ? '"' + safe.replaceAll('"', '""') + '"' : safe;
}

function result() {
  const rows = round.bakes.map((one) => round.columns.map((column) => {
    if (column === "bake") return one.bake;
    if (column === "round") return round.mark;
    return column === "note" ? remarks(one.bake) : entered(one.bake, column);
  }));
  return [round.columns, ...rows].map((row) => row.map(cell).join(",")).join("\n") + "\n";
}

function save() {
  const link = element("a", { download: round.file });
  link.href = URL.createObjectURL(new Blob([result()], { type: "text/csv" }));
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  byId("saved").textContent = "Saved as " + round.file + ". Put it into the round's folder, under incoming.";
}

restore();
for (const id of ["dough", "core", "reason", "note"]) {
  byId(id).addEventListener("input", (event) => enter(id, event.target.value));
}
for (const button of document.querySelectorAll("[data-status]")) {
  button.addEventListener("click", () => { enter("status", button.dataset.status); show(); });
}
for (const button of document.querySelectorAll("[data-reason]")) {
  button.addEventListener("click", () => { enter("reason", button.dataset.reason); show(); });
}
byId("undo").addEventListener("click", () => { enter("status", ""); enter("reason", ""); show(); });
byId("back").addEventListener("click", () => go(at - 1));
byId("next").addEventListener("click", () => go(at + 1));
byId("done").addEventListener("click", done);
byId("failed").addEventListener("click", failed);
byId("save").addEventListener("click", save);
show();
