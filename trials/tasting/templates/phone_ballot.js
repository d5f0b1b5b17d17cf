"use strict";
const ballot = JSON.parse(document.getElementById("ballot").textContent);
const byId = (id) => document.getElementById(id);
const entries = {};
const sent = {}; // of each sitting: when it went to the cook, in which way, and what it said
const sittings = [...new Set(ballot.samples.map((one) => one.sitting))];
let agreed = false;
let sitting = 0; // which one is being answered
let step = 0; // 0 the notice, then one step for each piece of the sitting, then its end
let keeps = true;

const pieces = () => ballot.samples.filter((one) => one.sitting === sittings[sitting]);

function restore() {
  try {
    const kept = JSON.parse(localStorage.getItem(ballot.key) || "{}");
    Object.assign(entries, kept.entries || {});
    Object.assign(sent, kept.sent || {});
    agreed = Boolean(kept.agreed);
    sitting = Math.min(Math.max(Number(kept.sitting) || 0, 0), sittings.length - 1);
    step = agreed ? Math.min(Number(kept.step) || 0, pieces().length + 1) : 0;
  } catch (error) {
    keeps = false;
  }
}

function keep() {
  try {
    localStorage.setItem(ballot.key, JSON.stringify({ entries, agreed, sitting, step, sent }));
    keeps = true;
  } catch (error) {
    keeps = false;
  }
  byId("forgets").hidden = keeps;
}

const entered = (code, name) => (entries[code] || {})[name] || "";

function enter(code, name, value) {
  entries[code] = { ...entries[code], [name]: String(value) };
  keep();
}

function element(tag, properties, ...children) {
  const made = Object.assign(document.createElement(tag), properties || {});
  made.append(...children);
  return made;
}

function choice(kind, group, value, word, checked, changed) {
  const input = element("input", { type: kind, name: group, value, checked });
  input.addEventListener("change", () => changed(input));
  return element("label", { className: "choice" }, input, element("span", {}, word));
}

function choices(measure, code) {
  return measure.points.map(([value, word]) =>
    choice("radio", measure.name, value, word, entered(code, measure.name) === value, () =>
      enter(code, measure.name, value)));
}

function ticks(measure, code) {
  const chosen = entered(code, measure.name).split("; ");
  // "None of these" takes every other tick away, and any other tick takes it away
  const value = (word) => (word === measure.none ? measure.said : word);
  const made = measure.words.map((word) =>
    choice("checkbox", measure.name, value(word), word, chosen.includes(value(word)), (touched) => {
      const boxes = made.map((label) => label.querySelector("input"));
      const none = boxes.filter((box, at) => measure.words[at] === measure.none);
      boxes.forEach((box) => {
        if (touched.checked && none.includes(box) !== none.includes(touched)) box.checked = false;
      });
      enter(code, measure.name, boxes.filter((box) => box.checked).map((box) => box.value).join("; "));
    }));
  return made;
}

// A bar of our own: it has no thumb until it is touched, and a touch in the very middle counts
function bar(measure, code) {
  const span = measure.high - measure.low;
  const made = element("div", { className: "bar", tabIndex: 0 }, element("b"));
  const clear = element("button", { type: "button", className: "small" }, "take the mark away");
  const show = (value) => {
    made.classList.toggle("marked", value !== "");
    clear.disabled = value === "";
    made.setAttribute("aria-valuetext", value === "" ? "not marked" : value);
    if (value === "") made.removeAttribute("aria-valuenow");
    else {
      made.setAttribute("aria-valuenow", value);
      made.firstChild.style.left = (100 * (Number(value) - measure.low)) / span + "%";
    }
  };
  const set = (value) => { enter(code, measure.name, value); show(value); };
  const at = (share) => {
    const steps = Math.round(Math.min(1, Math.max(0, share)) * 100);
    return String(Number((measure.low + (span * steps) / 100).toPrecision(12)));
  };
  const place = (event) => {
    const box = made.getBoundingClientRect();
    set(at((event.clientX - box.left) / box.width));
  };
  let before = null;
  made.addEventListener("pointerdown", (event) => {
    before = entered(code, measure.name);
    made.setPointerCapture(event.pointerId);
    place(event);
  });
  made.addEventListener("pointermove", (event) => { if (before !== null) place(event); });
  made.addEventListener("pointerup", () => { before = null; });
  // The finger was scrolling the page, not marking
  made.addEventListener("pointercancel", () => { if (before !== null) set(before); before = null; });
  made.addEventListener("keydown", (event) => {
    const moves = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 10, PageDown: -10 };
    const now = entered(code, measure.name);
    const share = now === "" ? 0 : (Number(now) - measure.low) / span;
    if (event.key in moves) set(at(share + moves[event.key] / 100));
    else if (event.key === "Home") set(at(0));
    else if (event.key === "End") set(at(1));
    else if (event.key === "Delete" || event.key === "Backspace") set("");
    else return;
    event.preventDefault();
  });
  clear.addEventListener("click", () => set(""));
  made.setAttribute("role", "slider");
  made.setAttribute("aria-label", measure.name);
  made.setAttribute("aria-valuemin", measure.low);
  made.setAttribute("aria-valuemax", measure.high);
  show(entered(code, measure.name));
  const ends = element("div", { className: "ends" },
    ...measure.ends.map((word) => element("span", {}, word)));
  return [ends, made, clear];
}

function typed(measure, code) {
  const input = element("input", { className: "typed", inputMode: "decimal", maxLength: 20,
    value: entered(code, measure.name), ariaLabel: measure.name });
  input.addEventListener("input", () => enter(code, measure.name, input.value.trim()));
  return [input];
}

// A place of a ranking: as many as the sitting has pieces; one that is taken says by which piece
function place(measure, code) {
  const codes = pieces().map((one) => one.code);
  return codes.map((_, at) => {
    const value = String(at + 1);
    const taken = codes.find((other) => other !== code && entered(other, measure.name) === value);
    return choice("radio", measure.name, value, taken ? value + "  (now " + taken + ")" : value,
      entered(code, measure.name) === value, () => {
        if (taken) enter(taken, measure.name, "");
        enter(code, measure.name, value);
      });
  });
}

function written(measure, code) {
  const box = element("textarea", { maxLength: 1000, value: entered(code, measure.name),
    ariaLabel: measure.name });
  box.addEventListener("input", () => enter(code, measure.name, box.value));
  return [box];
}

function question(measure, code) {
  const ways = { choice: choices, ticks, bar, typed, place, written };
  const title = measure.title + (measure.unit ? ", " + measure.unit : "");
  return element("fieldset", {}, element("legend", {}, title),
    ...ways[measure.way](measure, code));
}

function remark(code) {
  const box = element("textarea", { maxLength: 1000, value: entered(code, "note"),
    ariaLabel: "In your own words" });
  box.addEventListener("input", () => enter(code, "note", box.value));
  return element("fieldset", {}, element("legend", {}, "In your own words"), box);
}

const needed = () => ballot.measures.filter((measure) => measure.needed);

function missing(sample) {
  return needed().filter((one) => entered(sample.code, one.name) === "").map((one) => one.name);
}

function cell(value) {
  const number = /^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$/.test(value.trim());
  const runs = /^[=+\-@\t\r']/.test(value) && !number;
  const safe = runs ? "'" + value : value;
  return /[",;\t\r\n]/.test(safe) ? '"' + safe.replaceAll('"', '""') + '"' : safe;
}

// The file of the sitting at hand; the cook's kit puts sittings together
function result() {
  const rows = pieces().map((sample) => ballot.columns.map((column) => {
    const fixed = { round: ballot.mark, taster: ballot.taster, sitting: sample.sitting,
      place: sample.place, code: sample.code };
    return String(column in fixed ? fixed[column] : entered(sample.code, column));
  }));
  return [ballot.columns, ...rows].map((row) => row.map(cell).join(",")).join("\n") + "\n";
}

const several = sittings.length > 1;
const name = () => (several ? "Sitting " + sittings[sitting] : "Your answers");
const file = () => (several ? ballot.file.replace(".csv", "-sitting-" + sittings[sitting] + ".csv") : ballot.file);

function went(way) {
  const when = new Date().toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
  sent[sittings[sitting]] = { way, when, what: result() };
  keep();
  show();
}

const isSent = (which) => Boolean(sent[sittings[which]]);
const answered = (which) => ballot.samples.filter((one) => one.sitting === sittings[which]
  && missing(one).length < needed().length).length;

function stateOf(which) {
  const all = ballot.samples.filter((one) => one.sitting === sittings[which]).length;
  if (isSent(which)) return sent[sittings[which]].way + ", " + sent[sittings[which]].when;
  return answered(which) ? answered(which) + " of " + all + " pieces begun" : all + " pieces";
}

function showStart() {
  byId("sittings").hidden = !several;
  byId("sittings").replaceChildren(...sittings.map((one, which) => {
    const button = element("button", { type: "button", disabled: !agreed }, "Sitting " + one + ": " + stateOf(which));
    button.addEventListener("click", () => begin(which));
    return button;
  }));
}

function begin(which) {
  sitting = which;
  step = 1;
  keep();
  show(true);
}

function showSample(sample) {
  byId("code").textContent = sample.code;
  byId("where").textContent = sample.where;
  byId("told").hidden = !sample.told;
  byId("told").textContent = sample.told;
  byId("questions").replaceChildren(
    ...ballot.measures.map((measure) => question(measure, sample.code)), remark(sample.code));
}

function showCheck() {
  const told = sent[sittings[sitting]];
  const changed = told && told.what !== result();
  const open = pieces().map((sample) => [sample.code, missing(sample)]).filter(([, names]) => names.length);
  byId("ending").textContent = told && !changed ? "Thank you, " + ballot.taster : name() + ": check and send";
  byId("complete").hidden = Boolean(told && !changed) || open.length > 0;
  byId("incomplete").hidden = Boolean(told && !changed) || open.length === 0;
  byId("open").replaceChildren(...open.map(([code, names]) =>
    element("li", {}, code + ": " + names.join(", "))));
  byId("done").textContent = !told ? "" : changed
    ? "You changed an answer since. Send it again, so that the cook has the new one."
    : name() + ": " + told.way + ", " + told.when + ".";
  byId("send").textContent = told ? "Send again" : "Send to the cook";
}

function show(moved) {
  const last = pieces().length + 1;
  byId("start").hidden = step !== 0;
  byId("sample").hidden = step === 0 || step === last;
  byId("check").hidden = step !== last;
  byId("back").hidden = step === 0;
  byId("next").hidden = step === last && !several;
  byId("next").disabled = step === 0 && !agreed;
  byId("next").textContent = step === 0 ? "Start" : step === last ? "All sittings"
    : step === last - 1 ? "Check and send" : "Next piece";
  byId("next").classList.toggle("main", step !== last);
  byId("forgets").hidden = keeps;
  byId("agreed").checked = agreed;
  if (step === 0) showStart();
  if (step > 0 && step < last) showSample(pieces()[step - 1]);
  if (step === last) showCheck();
  if (!moved) return;
  window.scrollTo(0, 0);
  document.querySelector("section:not([hidden]) h1").focus({ preventScroll: true });
}

function go(change) {
  if (step === 0 && change > 0) {
    const waiting = sittings.findIndex((one, which) => !isSent(which));
    return begin(Math.max(waiting, 0));
  }
  const last = pieces().length + 1;
  step = step === last && change > 0 ? 0 : Math.min(last, Math.max(0, step + change));
  keep();
  return show(true);
}

function save() {
  const link = element("a", { download: file() });
  link.href = URL.createObjectURL(new Blob([result()], { type: "text/csv" }));
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  went("saved as " + file() + "; give this file to the cook");
}

async function copy() {
  let copied = false;
  try {
    await navigator.clipboard.writeText(result());
    copied = true;
  } catch (error) {
    const box = element("textarea", { value: result(), className: "aside" });
    document.body.append(box);
    box.select();
    copied = document.execCommand("copy");
    box.remove();
  }
  if (copied) went("copied; paste it into a message to the cook");
  else byId("done").textContent = "This phone does not copy. Save your answers as a file instead.";
}

async function send() {
  byId("done").textContent = "Sending…";
  try {
    const reply = await fetch(ballot.send, { method: "POST",
      headers: { "Content-Type": "text/csv" }, body: result() });
    if (reply.ok) went("it arrived");
    else byId("done").textContent = await reply.text();
  } catch (error) {
    byId("done").textContent = "It did not arrive; your answers are kept here. "
      + "Try again, or save them as a file and give it to the cook.";
  }
}

restore();
byId("send").hidden = !ballot.send;
byId("save").classList.toggle("main", !ballot.send);
byId("send").addEventListener("click", send);
byId("agreed").addEventListener("change", (event) => { agreed = event.target.checked; keep(); show(false); });
byId("back").addEventListener("click", () => go(-1));
byId("next").addEventListener("click", () => go(1));
byId("save").addEventListener("click", save);
byId("copy").addEventListener("click", copy);
show(false);
