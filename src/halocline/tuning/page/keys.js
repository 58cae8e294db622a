// The preset as a list of keys, each with what it means, its unit, and a way to set it.
import { valueAt } from "/page/curve.js";
import { keepingFocus } from "/page/focus.js";

const make = (tag, properties = {}, ...children) => {
  const node = Object.assign(document.createElement(tag), properties);
  node.append(...children);
  return node;
};
const WITH_UNIT = /^\s*([+-]?[\d.]+(?:[eE][+-]?\d+)?)\s*([^\d\s].*)?$/;
// What a render notes down is shown where it is stated; nobody types it.
const shown = (group) => group.keys.filter((key) => key.form !== "noted" || key.value != null);
const tidy = (number) => String(Number(Number(number).toPrecision(6)));
// Pieces that a curve is drawn of.
const DRAWN = 96;
let gestures = 0;

export class Keys {
  constructor(place, { change, frames, frame, pick, say, send }) {
    Object.assign(this, { place, change, frames, frame, pick, say, send });
    this.asked = new Map(); // keys of parts' own looks that are shown though nothing is stated there yet
    this.opening = ""; // what was added last, to be opened once it is there
    this.adding = { part: this.partForm(), step: this.stepForm() };
    this.rows = new Map();
    this.made = "";
    this.wanted = { words: [], changed: false };
  }

  show(preset) { keepingFocus(() => this.tell(preset)); }

  tell(preset) {
    this.preset = preset;
    const groups = [...preset.sections, ...preset.steps];
    // What a part states by now is told with it; what else was asked for is told again, as all may have changed.
    const stated = new Set(groups.flatMap((group) => group.keys.map((key) => key.path.join("."))));
    const parts = new Set(groups.filter((group) => group.part).map((group) => group.part));
    for (const [dotted, { path }] of this.asked) {
      if (stated.has(dotted) || !parts.has(path[1])) this.asked.delete(dotted);
      else this.send({ do: "of_part", key: path });
    }
    const shape = JSON.stringify([[...this.asked.keys()], preset.more_steps, preset.left_out, ...groups.map((group) =>
      [group.path, group.enabled, group.take_out, group.leave_out, group.more, shown(group).map((key) =>
        [key.path, key.label, key.form, Boolean(key.value?.is_curve), key.names, key.choices])])]);
    if (shape !== this.made) { this.build(preset); this.made = shape; }
    for (const group of groups) {
      const count = group.keys.filter((key) => key.changed).length;
      this.groups.get(group.path.join(".")).count.textContent = count ? `${count} changed` : "";
      for (const key of group.keys) this.rows.get(key.path.join("."))?.update(key);
    }
    this.filter();
  }

  build(preset) {
    const open = new Set([...this.place.querySelectorAll("details[open]")].map((each) => each.dataset.path));
    this.rows.clear();
    this.groups = new Map();
    const parts = preset.sections.filter((group) => group.part).map((group, index, all) => this.part(group, index, all.length, open));
    const sections = preset.sections.filter((group) => !group.part).map((group) => this.group(group, open));
    const steps = preset.steps.map((group, index) => this.step(group, index, open));
    const list = this.adding.step.querySelector("select");
    list.replaceChildren(...preset.more_steps.map(({ name }) => new Option(name.replaceAll("_", " "), name)));
    this.place.replaceChildren(
      make("p", { className: "part-title", textContent: "The place, its water and its light" }), ...sections,
      make("p", { className: "part-title", textContent: "The steps, in the order they are done" }), ...steps, this.adding.step,
      make("p", { className: "part-title", textContent: "Parts with a look of their own, the later over the earlier" }), ...parts,
      this.adding.part, this.leftOut(preset));
    const added = this.groups.get(this.opening)?.part;
    if (added) {
      this.opening = "";
      added.open = true;
      added.querySelector("summary").focus();
    }
  }

  // A part is called as its matte, where the frames have one of that name; else it is all of the picture at first.
  partForm() {
    const name = make("input", { type: "text", id: "part-name", size: 10, spellcheck: false, autocomplete: "off" });
    name.setAttribute("list", "mattes");
    const add = make("button", { type: "submit", id: "part-add", textContent: "Add a part" });
    const form = make("form", { className: "row adding" }, make("label", {}, "Part called ", name), add);
    form.onsubmit = (event) => {
      event.preventDefault();
      const called = name.value.trim();
      if (!/^[A-Za-z0-9_-]+$/.test(called)) return this.say("Call the part by letters, digits, _ and - alone.", true);
      if (this.groups.has(`parts.${called}`)) return this.say(`There is a part ${called} already.`, true);
      name.value = "";
      this.opening = `parts.${called}`;
      this.change([`parts.${called}.${this.preset.mattes.includes(called) ? `matte="${called}"` : "amount=1.0"}`]);
    };
    return form;
  }

  stepForm() {
    const list = make("select", { id: "step-name" });
    const add = make("button", { type: "submit", id: "step-add", textContent: "Add a step" });
    const form = make("form", { className: "row adding" }, make("label", {}, "Step ", list), add);
    form.onsubmit = (event) => {
      event.preventDefault();
      const begun = this.preset.more_steps.find(({ name }) => name === list.value);
      if (!begun) return;
      this.opening = `steps.${begun.name}`;
      this.change(begun.settings);
    };
    return form;
  }

  // A part, with what it could have of its own beside what it states.
  part(group, index, count, open) {
    const part = this.group(group, open);
    const list = make("select", { id: `more-${group.part}` });
    for (const [table, keys] of group.more) {
      const label = table.replace("steps.", "step ").replaceAll("_", " ");
      list.append(make("optgroup", { label }, ...keys.map((key) => new Option(`${label}: ${key.replaceAll("_", " ")}`, `${table}.${key}`))));
    }
    const show = make("button", { type: "submit", textContent: "Show it here" });
    show.setAttribute("aria-label", `Show here, to be set for the part ${group.part} alone`);
    const form = make("form", { className: "row adding" }, make("label", {}, "Of its own, otherwise as the whole picture: ", list), show);
    form.onsubmit = (event) => {
      event.preventDefault();
      this.wantedKey = `parts.${group.part}.${list.value}`;
      this.send({ do: "of_part", key: this.wantedKey.split(".") });
    };
    for (const [, { path, keys }] of this.asked)
      if (path[1] === group.part) for (const key of keys) this.row(key, part);
    part.append(form);
    part.querySelector(".group-meaning").after(make("div", { className: "row" }, ...this.movers("part", group, index, count)));
    return part;
  }

  // What moves a step or a part one place in its order.
  movers(kind, group, index, count) {
    const mover = (label, later, disabled) => {
      const made = make("button", { type: "button", textContent: label, disabled,
        onclick: () => this.send({ do: "move", path: group.path.join("."), later }) });
      made.setAttribute("aria-label", `Move ${label.toLowerCase()} the ${kind} ${group.path[1]}`);
      return made;
    };
    return [mover("Earlier", false, index === 0), mover("Later", true, index === count - 1)];
  }

  // What is left out as a whole has no keys to bring it back by.
  leftOut(preset) {
    return make("div", { className: "left-out" }, ...preset.left_out.map(({ name, settings }) => {
      const back = make("button", { type: "button", textContent: "Inherit it again", onclick: () => this.change(settings) });
      back.setAttribute("aria-label", `Inherit again the ${name}`);
      return make("div", { className: "row" }, `Left out: ${name}`, back);
    }));
  }

  // What the server tells of a key that a part could state.
  ofPart(path, keys) {
    const dotted = path.join(".");
    if (!keys.length) return this.asked.delete(dotted);
    const fresh = this.asked.get(dotted)?.keys.length !== keys.length;
    this.asked.set(dotted, { path, keys });
    if (fresh) this.show(this.preset);
    for (const key of keys) this.rows.get(key.path.join("."))?.update(key);
    if (this.wantedKey !== dotted) return undefined;
    this.wantedKey = "";
    this.rows.get(dotted)?.node.querySelector("input, select, button")?.focus();
    return undefined;
  }

  group(group, open) {
    const path = group.path.join(".");
    const count = make("span", { className: "count" });
    const part = make("details", {}, make("summary", {}, make("h2", { textContent: group.name.replaceAll("_", " ") }), count),
      make("p", { className: "group-meaning", textContent: group.meaning }));
    part.dataset.path = path;
    part.open = open.has(path) || (this.made === "" && ["water", "light"].includes(path));
    for (const told of group.told) part.append(make("p", { className: "told", textContent: `${told.text}. ${told.fix}` }));
    for (const key of shown(group)) this.row(key, part);
    const out = (label, settings) => {
      const made = make("button", { type: "button", textContent: label, onclick: () => this.change(settings) });
      made.setAttribute("aria-label", `${label}: ${group.name}`);
      return made;
    };
    const ways = [];
    // What of it is inherited stays, or goes as well.
    if (group.take_out?.length) ways.push(out(group.leave_out.length ? "Inherit all of it" : "Take it out", group.take_out));
    if (group.leave_out?.length) ways.push(out("Leave it out", group.leave_out));
    if (ways.length) part.querySelector(".group-meaning").after(make("div", { className: "row" }, ...ways));
    this.groups.set(path, { part, count });
    return part;
  }

  row(key, part) {
    const row = new Row(key, this);
    this.rows.set(key.path.join("."), row);
    part.append(row.node);
  }

  step(group, index, open) {
    const part = this.group(group, open);
    part.classList.add("step");
    part.classList.toggle("aside", !group.enabled);
    const path = `steps.${group.name}`;
    const names = this.preset.steps.map((step) => step.name);
    const box = make("input", { type: "checkbox", checked: group.enabled, ariaLabel: `done: the step ${group.name}`,
      onchange: () => this.change([`${path}.enabled=${box.checked}`]) });
    const on = make("label", {}, box, " done");
    const solo = make("button", { type: "button", textContent: "Only this", ariaLabel: `Do only the step ${group.name}`,
      onclick: () => this.change(names.map((name) => `steps.${name}.enabled=${name === group.name}`)) });
    const all = make("button", { type: "button", textContent: "All steps",
      onclick: () => this.change(names.map((name) => `steps.${name}.enabled=true`)) });
    part.querySelector(".group-meaning").after(make("div", { className: "row" }, on, solo, all, ...this.movers("step", group, index, names.length),
      make("span", { className: "origin", textContent: group.operator === group.name ? "" : group.operator })));
    return part;
  }

  // The first of what is found, to be set at once.
  enter() {
    const found = [...this.place.querySelectorAll(".key")].find((row) => row.offsetParent !== null);
    found?.querySelector(".set :is(input, select, button):enabled")?.focus();
  }

  find(text, changed) {
    this.wanted = { words: text.toLowerCase().split(/\s+/).filter(Boolean), changed };
    this.filter();
  }

  filter() {
    const { words, changed } = this.wanted;
    const all = !words.length && !changed;
    let found = all;
    for (const { part } of this.groups.values()) {
      let any = false;
      for (const row of part.querySelectorAll(".key")) {
        const good = (!changed || row.classList.contains("changed")) && words.every((word) => row.dataset.words.includes(word));
        row.hidden = !good;
        any ||= good;
      }
      part.hidden = !(all || any);
      found ||= any;
      if (!all && any) part.open = true;
    }
    const none = document.getElementById("none-found");
    none.hidden = found;
    const steps = this.preset.more_steps.filter(({ name }) => words.some((word) => name.replaceAll("_", " ").includes(word)));
    none.textContent = changed ? "No key is found that was changed." : `No key is found.${steps.length
      ? ` Steps that can be added below: ${steps.map(({ name }) => name.replaceAll("_", " ")).join(", ")}.` : ""}`;
  }

  complain(path, problems) {
    this.opening = "";
    const named = Array.isArray(path) ? path.join(".") : path ?? "";
    // A box of several belongs to the key that holds them.
    const row = this.rows.get(named) ?? this.rows.get(named.split(".").slice(0, -1).join("."));
    if (row) row.complain(problems.map((each) => `${each.text}. ${each.fix}`).join(" "));
  }
}

class Row {
  constructor(key, keys) {
    this.key = key;
    this.keys = keys;
    this.path = key.path.join(".");
    this.id = `key-${this.path.replaceAll(".", "-")}`;
    this.spoken = this.name();
    this.label = make("label", { textContent: key.label, htmlFor: this.id });
    this.unit = make("span", { className: "unit", id: `${this.id}-unit`, textContent: key.unit });
    this.origin = make("span", { className: "origin" });
    this.set = make("div", { className: "set" });
    this.told = make("p", { className: "told", id: `${this.id}-told` });
    this.reset = make("button", { type: "button", textContent: "Inherit", onclick: () => this.keys.change(this.key.inherit) });
    this.reset.setAttribute("aria-label", `${this.spoken}: back to what is inherited`);
    this.usual = make("button", { type: "button", textContent: "Default", onclick: () => this.keys.change([this.key.usual]) });
    this.usual.setAttribute("aria-label", `Set ${this.spoken} to its default, whatever is inherited`);
    this.meaning = make("p", { className: "meaning", id: `${this.id}-meaning`, textContent: this.about() });
    this.node = make("div", { className: "key" },
      make("div", { className: "head" }, this.label, this.unit, this.origin), this.set, this.meaning, this.told);
    this.node.dataset.path = this.path;
    this.node.dataset.words = `${this.path} ${this.path.replaceAll("_", " ")} ${key.label} ${key.meaning}`.toLowerCase();
    this.build(key);
  }

  // Its whole name for who hears the page: rows of an array by the name of the row.
  name() {
    const place = this.key.path.findIndex((part) => /^\d+$/.test(part));
    return place < 0 ? this.path : `${this.key.path.slice(0, place).join(".")}, ${this.key.label}`;
  }

  about() {
    const { least, most, meaning } = this.key;
    const range = least != null && most != null ? ` ${least} to ${most}.` : least != null ? ` ${least} or more.` : "";
    return meaning + range;
  }

  send(text, gesture = "") {
    // Of what nobody states, nothing is taken out.
    if (text === "" && this.key.value == null) return;
    this.keys.change([`${this.path}=${text}`], gesture && `${this.path} ${gesture}`);
  }

  input(properties, more = {}) {
    return this.described(make("input", properties), more);
  }

  described(node, more = {}) {
    node.setAttribute("aria-describedby", `${this.id}-unit ${this.id}-meaning ${this.id}-told`);
    for (const [name, value] of Object.entries(more)) node.setAttribute(name, value);
    return node;
  }

  build(key) {
    this.controls = [];
    const animate = make("button", { type: "button", textContent: "Curve", onclick: () => this.animate() });
    animate.setAttribute("aria-label", `Let ${this.spoken} change over frames`);
    if (key.value?.is_curve) this.buildCurve(key);
    else if (key.form === "number" || (key.form === "length" && this.number(key))) this.buildNumber(key);
    else if (key.form === "switch") {
      const box = this.input({ type: "checkbox", id: this.id, onchange: () => this.send(String(box.checked)) });
      this.controls.push([box, (value) => { box.checked = Boolean(value); }]);
      this.set.append(box);
    } else if (key.form === "choice") this.buildChoice(key);
    else if (key.form === "rows") return this.buildRows(key);
    else if (key.form === "numbers") this.buildNumbers(key);
    else if (key.form === "bounds") this.buildBounds(key);
    else if (key.form === "noted") {
      const told = this.described(make("output", { id: this.id, className: "noted" }));
      this.controls.push([told, (_, fresh) => { told.textContent = fresh.text; }]);
      this.set.append(told);
    } else {
      // A matte is one of those that the frames have, which the box lists, or another name: always text.
      const matte = key.form === "matte";
      const text = () => (matte ? box.value.trim() && JSON.stringify(box.value.trim()) : this.quoted(box.value));
      const box = this.input({ type: "text", id: this.id, spellcheck: false, onchange: () => this.send(text()) },
        matte ? { list: "mattes", autocomplete: "off" } : {});
      this.controls.push([box, (_, key) => { box.value = typeof key.value === "string" ? key.value : key.text; }]);
      this.set.append(box);
    }
    if (key.animated && !key.value?.is_curve) this.set.append(animate);
    if (key.path[0] === "origins" && key.path[2] === "point") this.set.append(this.picked());
    this.set.append(this.reset, this.usual);
  }

  // The next click in the picture says where.
  picked() {
    const button = make("button", { type: "button", textContent: "Click in the picture",
      onclick: () => this.keys.pick(this.key.path[1]) });
    button.setAttribute("aria-label", `Set ${this.spoken} by the next click in the picture`);
    return button;
  }

  // A list of tables: one more, and each of them out. Where one stands may be kept; where none, some cannot start.
  buildRows(key) {
    this.set.append(make("button", { type: "button", textContent: "Add one", disabled: !key.add.length, ariaLabel: `Add one to ${this.spoken}`,
      id: this.id, onclick: () => this.keys.change(this.key.add) }));
    key.names.forEach((name, index) => this.set.append(make("button", { type: "button", textContent: `Take out ${name}`,
      ariaLabel: `Take ${name} out of ${this.spoken}`, onclick: () => this.keys.change([this.key.take_out[index]]) })));
  }

  buildChoice(key) {
    const none = key.default == null ? [new Option("not stated", "")] : [];
    const list = this.described(make("select", { id: this.id },
      ...none, ...key.choices.map((each) => new Option(each, each))));
    list.onchange = () => this.send(list.value && JSON.stringify(list.value));
    this.controls.push([list, (value) => {
      // A name that the file writes in another way stays as it is.
      if (value && ![...list.options].some((option) => option.value === value)) list.append(new Option(value, value));
      list.value = value ?? "";
    }]);
    this.set.append(list);
  }

  // A box of several, and how it is read and written: each may carry a unit of its own, which it keeps.
  // The key's own unit stands beside its name.
  measure(name, unit, first) {
    const own = make("span", { className: "unit" });
    const box = this.input({ type: "number", step: "any", ...(first ? { id: this.id } : {}) });
    let suffix = "";
    const write = (value) => {
      const found = WITH_UNIT.exec(String(value ?? ""));
      suffix = found?.[2] ?? "";
      box.value = found?.[1] ?? "";
      own.textContent = suffix || (unit === this.key.unit ? "" : unit);
      box.setAttribute("aria-label", [`${this.spoken}, ${name}`, suffix || unit].filter(Boolean).join(", "));
    };
    const text = () => (suffix ? `"${Number(box.value)} ${suffix}"` : String(Number(box.value)));
    return { box, own, write, text };
  }

  buildNumbers(key) {
    const several = Array.from({ length: key.count }, (_, index) =>
      this.measure(`${index + 1} of ${key.count}`, key.unit, index === 0));
    several.forEach(({ box, own, write }, index) => {
      box.onchange = () => {
        // Of several that are not stated yet, none is set before all are typed.
        const empty = several.filter((each) => each.box.value === "").length;
        if (!empty) this.send(`[${several.map((each) => each.text()).join(", ")}]`);
        else if (empty === several.length) this.send("");
      };
      this.controls.push([box, (value) => write(value?.[index])]);
      this.set.append(make("span", { className: "measure" }, box, own));
    });
  }

  // Each bound is a key of its own below this one; an empty box states none.
  buildBounds(key) {
    key.bounds.forEach(({ name, unit, default: usual }, index) => {
      const word = name.replaceAll("_", " ");
      const { box, own, write, text } = this.measure(word, unit, index === 0);
      box.placeholder = usual ?? "none";
      box.onchange = () => this.keys.change([`${this.path}.${name}=${box.value === "" ? "" : text()}`]);
      this.controls.push([box, (value) => write(value?.[name])]);
      this.set.append(make("span", { className: "measure" }, word, box, own));
    });
  }

  // Text that is no number, list or table of TOML is a string.
  quoted(text) {
    const trimmed = text.trim();
    if (trimmed === "" || /^([[{"']|true$|false$)/.test(trimmed) || !Number.isNaN(Number(trimmed))) return trimmed;
    return JSON.stringify(trimmed);
  }

  number(key) {
    const value = key.value ?? key.default;
    if (typeof value === "number") return { value, unit: "" };
    const found = typeof value === "string" && WITH_UNIT.exec(value);
    return found ? { value: Number(found[1]), unit: found[2] ?? "" } : null;
  }

  buildNumber(key) {
    const now = this.number(key)?.value ?? 0;
    const reach = Math.max(Math.abs(now), Math.abs(Number(key.default) || 0)) || 1;
    const low = key.least ?? (now < 0 || key.unit === "degrees" ? (key.unit === "degrees" ? -180 : -4 * reach) : 0);
    const high = key.most ?? (key.unit === "degrees" ? 180 : Math.max(low + 1e-6, 3 * reach));
    const step = key.whole ? 1 : 10 ** Math.floor(Math.log10((high - low) / 100));
    const slider = this.input({ type: "range", min: low, max: high, step }, { "aria-label": `${this.spoken}${key.unit ? `, ${key.unit}` : ""}` });
    const box = this.input({ type: "number", id: this.id, step: key.whole ? 1 : "any" });
    const unit = make("span", { className: "unit" });
    const text = (value) => (this.suffix ? `"${tidy(value)} ${this.suffix}"` : key.whole ? String(Math.round(value)) : tidy(value));
    // All that one drag does is one change to undo.
    slider.onpointerdown = slider.onfocus = () => { this.gesture = `drag ${++gestures}`; };
    slider.oninput = () => { box.value = tidy(slider.value); this.send(text(slider.value), this.gesture); };
    box.onchange = () => this.send(box.value === "" ? "" : text(box.value));
    const write = (value, fresh) => {
      const found = this.number(fresh);
      this.suffix = found?.unit ?? "";
      unit.textContent = this.suffix;
      return found?.value;
    };
    this.controls.push([box, (value, fresh) => { box.value = write(value, fresh) ?? ""; }]);
    this.controls.push([slider, (value, fresh) => {
      const found = write(value, fresh);
      if (found == null) { slider.value = slider.min; return; }
      if (found > Number(slider.max)) slider.max = key.most ?? found * 2;
      if (found < Number(slider.min)) slider.min = key.least ?? found * 2;
      slider.value = found;
    }]);
    this.set.append(slider, box, unit);
  }

  animate() {
    const frames = this.keys.frames();
    const value = this.key.text || JSON.stringify(this.key.default ?? 0);
    const last = frames.at(-1) === frames[0] ? frames[0] + 24 : frames.at(-1);
    this.send(`{ curve = "smooth", keys = [[${frames[0]}, ${value}], [${last}, ${value}]] }`);
  }

  buildCurve(key) {
    const plain = key.value.keys.every(([, value]) => typeof value === "number");
    // Names and switches are held from key to key.
    const measured = ["number", "length", "numbers"].includes(key.form);
    const kind = make("select", {}, ...(measured ? ["linear", "smooth", "held"] : ["held"]).map((each) => new Option(each, each)));
    kind.id = this.id;
    kind.value = key.value.curve;
    let points = key.value.keys.map((each) => [...each]);
    const write = (value) => (Array.isArray(value) ? `[${value.map(write).join(", ")}]` : JSON.stringify(value));
    const told = (gesture) => this.send(`{ curve = "${kind.value}", keys = ${write(points)} }`, gesture);
    kind.onchange = () => told("");
    const still = make("button", { type: "button", textContent: "Hold still", onclick: () => this.send(write(points[0][1])) });
    const more = make("button", { type: "button", textContent: "Add a key", onclick: () => {
      const at = this.keys.frame();
      const after = points.findIndex(([frame]) => frame >= at);
      if (after >= 0 && points[after][0] === at) return this.keys.say(`Frame ${at} has a key already: show another frame to add one there.`, true);
      const held = valueAt(kind.value, points, at);
      points.splice(after < 0 ? points.length : after, 0, [at, typeof held === "number" ? Number(held.toPrecision(5)) : held]);
      return told("");
    } });
    still.setAttribute("aria-label", `Hold still: ${this.spoken}`);
    more.setAttribute("aria-label", `Add a key to ${this.spoken} at the frame that is shown`);
    const drawing = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    drawing.classList.add("curve");
    drawing.setAttribute("aria-hidden", "true");
    const table = make("div", { className: "curve-keys" });
    this.set.append(make("div", { className: "row" }, kind, more, still), ...(plain ? [drawing] : []), table);
    const redraw = (fresh) => {
      if (this.dragging) return;
      points = fresh.value.keys.map((each) => [...each]);
      kind.value = fresh.value.curve;
      this.fill(table, points, told);
      if (plain) this.trace(drawing, points, () => kind.value, told);
    };
    this.controls.push([table, (_, fresh) => { if (!table.contains(document.activeElement)) redraw(fresh); }]);
  }

  fill(table, points, told) {
    table.replaceChildren(...points.map((point, index) => {
      const frame = make("input", { type: "number", step: 1, value: point[0] });
      frame.setAttribute("aria-label", `${this.spoken}, key ${index + 1}, frame`);
      const value = make("input", { type: "text", value: typeof point[1] === "object" ? JSON.stringify(point[1]) : String(point[1]), size: 8 });
      value.setAttribute("aria-label", `${this.spoken}, key ${index + 1}, value`);
      frame.onchange = () => { point[0] = Number(frame.value); points.sort((a, b) => a[0] - b[0]); told(""); };
      value.onchange = () => {
        try { point[1] = JSON.parse(value.value); } catch { point[1] = value.value; }
        told("");
      };
      const gone = make("button", { type: "button", textContent: "Take out", disabled: points.length < 2,
        ariaLabel: `Take out key ${index + 1} of ${this.spoken}`, onclick: () => {
          points.splice(index, 1);
          // The keys behind it are counted anew; whoever takes out one may take out the next.
          this.fill(table, points, told);
          table.children[Math.min(index, points.length - 1)].querySelector(points.length > 1 ? "button" : "input").focus();
          told("");
        } });
      return make("div", { className: "row" }, "frame", frame, "value", value, gone);
    }));
  }

  trace(drawing, points, kind, told) {
    const [wide, high, edge] = [300, 100, 10];
    drawing.setAttribute("viewBox", `0 0 ${wide} ${high}`);
    drawing.setAttribute("preserveAspectRatio", "none");
    const frames = points.map(([frame]) => frame);
    const values = points.map(([, value]) => value);
    const [first, last] = [Math.min(...frames), Math.max(...frames)];
    const spread = Math.max(...values) - Math.min(...values) || Math.abs(values[0]) || 1;
    const [low, top] = [Math.min(...values) - 0.3 * spread, Math.max(...values) + 0.3 * spread];
    const x = (frame) => edge + ((frame - first) / (last - first || 1)) * (wide - 2 * edge);
    const y = (value) => high - ((value - low) / (top - low)) * high;
    const node = (tag, attributes) => {
      const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
      for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
      return made;
    };
    const through = node("polyline", { fill: "none", stroke: "#a2a2a2", "vector-effect": "non-scaling-stroke" });
    const draw = () => {
      const [from, to] = [points[0][0], points.at(-1)[0]];
      // Along the way, and just before each key, where what is held ends.
      const frames = [...Array.from({ length: DRAWN + 1 }, (_, step) => from + ((to - from) * step) / DRAWN),
        ...points.flatMap(([frame]) => [frame - 1e-6, frame])].sort((a, b) => a - b);
      through.setAttribute("points", frames.map((frame) => `${x(frame)},${y(valueAt(kind(), points, frame))}`).join(" "));
    };
    draw();
    const dots = points.map((point, index) => {
      const dot = node("circle", { cx: x(point[0]), cy: y(point[1]), r: 5, fill: "#d9b26f", cursor: "move" });
      dot.onpointerdown = (event) => { dot.setPointerCapture(event.pointerId); this.dragging = `curve ${++gestures}`; };
      dot.onpointermove = (event) => {
        if (!this.dragging || !dot.hasPointerCapture(event.pointerId)) return;
        const box = drawing.getBoundingClientRect();
        const value = low + (1 - (event.clientY - box.top) / box.height) * (top - low);
        const at = ((event.clientX - box.left) / box.width) * wide;
        const frame = Math.round(first + ((at - edge) / (wide - 2 * edge)) * (last - first || 1));
        const inside = index > 0 && index < points.length - 1;
        if (inside) point[0] = Math.min(Math.max(frame, points[index - 1][0] + 1), points[index + 1][0] - 1);
        const { least, most } = this.key;
        point[1] = Number(Math.min(Math.max(value, least ?? -Infinity), most ?? Infinity).toPrecision(5));
        dot.setAttribute("cx", x(point[0]));
        dot.setAttribute("cy", y(point[1]));
        draw();
        told(this.dragging);
      };
      dot.onpointerup = () => { this.dragging = ""; };
      return dot;
    });
    drawing.replaceChildren(through, ...dots);
  }

  update(key) {
    this.key = key;
    this.node.classList.toggle("changed", key.changed);
    this.origin.textContent = key.form === "rows" ? "" : key.value != null ? key.origin : key.left_out ? "left out" : "default";
    this.reset.disabled = !key.inherit.length;
    this.usual.hidden = !key.usual;
    for (const [node, write] of this.controls)
      if (document.activeElement !== node || node.type === "checkbox") write(key.value ?? key.default, key);
    this.complain(key.told.map((each) => `${each.text}. ${each.fix}`).join(" "));
  }

  // An emptied box that could not be is filled again, with what holds.
  complain(text) {
    this.told.textContent = text;
    for (const [node, write] of this.controls ?? []) if (node.value === "") write(this.key.value ?? this.key.default, this.key);
  }
}
