// The forms of `trials.forms` in a notebook: plain inputs that work by keyboard, labelled, with what
// Python says of each entry beside it. All checking is done in Python, by the readers of the sheets.

function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name in element && name !== "list" && name !== "type") element[name] = value;
    else element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

// The script is loaded once per form, so a count alone would give two forms the same ids
const own = Math.random().toString(36).slice(2, 8);
let made = 0;
const fresh = (word) => `trials-${own}-${word}-${(made += 1)}`;

function labelled(text, input, hint = "") {
  input.id = fresh("input");
  const parts = [make("label", { htmlFor: input.id }, text), input];
  if (hint) {
    const note = make("span", { id: fresh("hint"), className: "hint" }, hint);
    input.setAttribute("aria-describedby", note.id);
    parts.push(note);
  }
  return make("p", { className: "field" }, ...parts);
}

function codeBlock(view) {
  const code = make("code", {}, view.code);
  return [make("details", {}, make("summary", {}, "The same in code"), make("pre", {}, code)), code];
}

function plainTable(caption, columns, rows, numbers = []) {
  const head = make("tr", {}, ...columns.map((name) => make("th", { scope: "col" }, name)));
  const body = rows.map((cells) =>
    make("tr", {}, ...cells.map((cell, at) =>
      at === 0
        ? make("th", { scope: "row" }, String(cell))
        : make("td", { className: numbers.includes(at) ? "number" : "" }, String(cell)))));
  return make("table", {}, make("caption", {}, caption), make("thead", {}, head), make("tbody", {}, ...body));
}

function askedOf(model, view) {
  return make("p", { className: "buttons" }, ...view.buttons.map((one) => {
    const button = make("button", { type: "button" }, one.label);
    button.addEventListener("click", () => model.send({ what: one.name }));
    return button;
  }));
}

// ---- explore: one setting, and what to expect of it

function control(one, changed) {
  if (one.kind === "choice") {
    const select = make("select", {}, ...one.levels.map((level) =>
      make("option", { value: level.value, selected: level.value === one.value }, level.label)));
    select.addEventListener("change", () => changed(one.name, select.value));
    return labelled(one.name, select, one.hint);
  }
  const said = make("output", {}, one.shown);
  const range = make("input", {
    type: "range", min: one.low, max: one.high, step: one.step, value: one.value });
  range.setAttribute("aria-valuetext", one.shown);
  range.addEventListener("input", () => changed(one.name, range.value));
  range.said = said;
  const field = labelled(one.name, range, one.hint);
  field.append(said);
  field.range = range;
  return field;
}

function explore(model, el) {
  const view = model.get("view");
  const results = make("div", { role: "status" });
  const fields = {};
  const changed = (name, value) => model.send({ what: "set", name, value });
  const controls = make("fieldset", {}, make("legend", {}, "Setting"));
  for (const one of view.controls) controls.append((fields[one.name] = control(one, changed)));
  const [details, code] = codeBlock(view);
  const draw = () => {
    const now = model.get("view");
    for (const one of now.controls) {
      const field = fields[one.name];
      field.hidden = Boolean(one.absent);
      if (field.range) {
        field.range.said.textContent = one.shown;
        field.range.setAttribute("aria-valuetext", one.shown);
      }
    }
    const warnings = now.warnings.map((text) => make("p", { className: "warning" }, text));
    if (now.fails) warnings.push(make("p", {}, now.fails));
    results.replaceChildren(plainTable(now.caption, now.columns, now.rows, now.numbers), ...warnings);
    code.textContent = now.code;
  };
  model.on("change:view", draw);
  draw();
  el.append(make("h3", {}, view.title), controls, results, details);
  return () => model.off("change:view", draw);
}

// ---- enter: the day's scores and weights

function enter(model, el) {
  const view = model.get("view");
  const status = make("p", { role: "status", className: "status" });
  const who = make("input", { type: "text", value: view.who, autocomplete: "name" });
  const head = [labelled("Who enters?", who, "needed before anything is saved")];
  who.addEventListener("change", () => model.send({ what: "who", value: who.value }));
  const which = make("select", {}, ...view.pages.map((page) =>
    make("option", { value: page, selected: page === view.page }, page)));
  which.addEventListener("change", () => model.send({ what: "page", value: which.value }));
  head.push(labelled("Which?", which));
  const place = make("div", {});
  const [details, code] = codeBlock(view);
  const told = make("div", { role: "status", className: "told" });
  const buttons = askedOf(model, view);
  let cells = {};

  function cellInput(row, column, cell) {
    const address = `${row.key.join(" ")} ${column.name}`;
    const input = column.choices.length
      ? make("select", {}, make("option", { value: "" }, ""), ...column.choices.map((word) =>
          make("option", { value: word, selected: word === cell.text }, word)))
      : make("input", { type: "text", value: cell.text, inputMode: column.numeric ? "decimal" : "text" });
    input.setAttribute("aria-label", `${column.title} of ${row.name}; ${column.hint}`);
    const said = make("span", { id: fresh("said"), className: "said" });
    input.setAttribute("aria-describedby", said.id);
    input.addEventListener("change", () =>
      model.send({ what: "cell", key: row.key, column: column.name, text: input.value }));
    cells[address] = { input, said, row, column };
    return make("td", {}, input, said);
  }

  function show({ input, said, row, column }, cell) {
    if (document.activeElement !== input || cell.settled) input.value = cell.text;
    input.classList.toggle("refused", Boolean(cell.problem));
    input.setAttribute("aria-invalid", cell.problem ? "true" : "false");
    said.replaceChildren(cell.problem || cell.note || "");
    for (const other of cell.others) {
      const line = make("span", { className: cell.conflict ? "conflict" : "other" },
        `${other.where}: ${other.text} `);
      if (cell.conflict && other.changeable) {
        const take = make("button", { type: "button" }, `take ${other.text}`);
        take.addEventListener("click", () => model.send({
          what: "choose", key: row.key, column: column.name, text: other.text }));
        line.append(take);
      }
      said.append(line);
    }
    if (cell.conflict && cell.text) {
      const keep = make("button", { type: "button" }, `keep ${cell.text}`);
      keep.addEventListener("click", () => model.send({
        what: "choose", key: row.key, column: column.name, text: cell.text }));
      said.append(keep);
    }
  }

  function table(now) {
    cells = {};
    const names = now.table.columns.map((column) => make("th", { scope: "col" }, column.title));
    const rows = now.table.rows.map((row) =>
      make("tr", {}, ...now.table.columns.map((column, at) =>
        column.entered
          ? cellInput(row, column, row.cells[at])
          : make(at ? "td" : "th", at ? {} : { scope: "row" }, String(row.cells[at])))));
    const caption = make("caption", {}, now.table.caption);
    return make("table", { className: "entries" }, caption,
      make("thead", {}, make("tr", {}, ...names)), make("tbody", {}, ...rows));
  }

  let page = null;
  const draw = () => {
    const now = model.get("view");
    if (page !== now.page) {
      page = now.page;
      place.replaceChildren(table(now));
    }
    for (const row of now.table.rows) {
      now.table.columns.forEach((column, at) => {
        if (column.entered) show(cells[`${row.key.join(" ")} ${column.name}`], row.cells[at]);
      });
    }
    status.textContent = now.status;
    told.replaceChildren(...now.told.map((text) => make("p", {}, text)));
    code.textContent = now.code;
  };
  model.on("change:view", draw);
  draw();
  el.append(make("h3", {}, view.title), ...head, place, status, buttons, told, details);
  return () => model.off("change:view", draw);
}

// ---- idea: the questions of idea.toml

function idea(model, el) {
  const view = model.get("view");
  const said = make("div", { role: "status" });
  const [details, code] = codeBlock(view);
  const fields = view.fields.map((one) => {
    const input = one.lines
      ? make("textarea", { rows: one.lines, value: one.value, spellcheck: false })
      : make("input", { type: "text", value: one.value });
    input.addEventListener("input", () => model.send({ what: "field", name: one.name, value: input.value }));
    return labelled(one.label, input, one.hint);
  });
  const buttons = askedOf(model, view);
  const draw = () => {
    const now = model.get("view");
    said.replaceChildren(
      ...now.problems.map((text) => make("p", { className: "warning" }, text)),
      ...now.said.map((text) => make("p", {}, text)));
    code.textContent = now.code;
  };
  model.on("change:view", draw);
  draw();
  const left = make("div", {}, ...fields);
  const right = make("div", {}, buttons, said);
  el.append(make("h3", {}, view.title), make("div", { className: "beside" }, left, right), details);
  return () => model.off("change:view", draw);
}

export default {
  render({ model, el }) {
    el.classList.add("trials-form");
    return { explore, enter, idea }[model.get("view").kind](model, el);
  },
};
