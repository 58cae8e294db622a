// Samples marked on the reference still, and the water found from them.
const at = (id) => document.getElementById(id);
const make = (tag, properties = {}, ...children) => {
  const node = Object.assign(document.createElement(tag), properties);
  node.append(...children);
  return node;
};

export class Marks {
  constructor({ send, say, pick, picture }) {
    Object.assign(this, { send, say, pick, picture });
    this.marks = [];
    at("mark-add").onclick = () => this.add();
    at("match-find").onclick = () => this.find();
    at("match-take").onclick = () => send({ do: "take_over" });
  }

  add() {
    if (at("canvas").dataset.shows !== "reference") return this.say("Show the reference still first, then mark on it.", true);
    return this.pick(([across, down]) => {
      const [wide, high] = this.picture.size;
      const last = this.marks.at(-1);
      this.marks.push({ x: Math.floor(across * wide), y: Math.floor(down * high), range: last?.range ?? "", what: last?.what ?? "" });
      this.list();
      // What the click does not say is typed next.
      at(`mark-${this.marks.length}-range`).focus();
    });
  }

  list() {
    at("marks").replaceChildren(...this.marks.map((mark, index) => this.row(mark, index + 1)));
    this.picture.mark(this.marks);
    this.changed();
  }

  row(mark, number) {
    const box = (key, label, more) => {
      const made = make("input", { type: "text", id: `mark-${number}-${key}`, size: 8, value: mark[key], spellcheck: false, autocomplete: "off",
        oninput: () => { mark[key] = made.value; this.changed(); }, ...more });
      if (more.suggests) made.setAttribute("list", more.suggests);
      return make("label", {}, `${label} `, made);
    };
    const out = make("button", { type: "button", textContent: "Take out", ariaLabel: `Take out mark ${number}`,
      onclick: () => { this.marks.splice(number - 1, 1); this.list(); at("mark-add").focus(); } });
    const row = make("li", {}, make("span", { className: "noted", textContent: `at ${mark.x}, ${mark.y}` }),
      box("range", "range", { placeholder: "2.5 m" }), box("what", "shows", { placeholder: "grey", suggests: "shown-there" }), out);
    row.setAttribute("aria-label", `Mark ${number}`);
    return row;
  }

  // What was found is of the marks as they were.
  changed() { at("match-take").disabled = true; at("match-told").replaceChildren(); }

  find() {
    const open = this.marks.findIndex((mark) => !mark.range.trim());
    if (open >= 0) {
      this.say(`Mark ${open + 1} has no range. Type how far away it is, or water where there is nothing but water.`, true);
      return at(`mark-${open + 1}-range`).focus();
    }
    this.changed();
    at("match-told").textContent = "looking for the water…";
    const number = (id) => (at(id).value === "" ? null : Number(at(id).value));
    return this.send({
      do: "match", view: number("match-view"), depth: at("match-depth").value, sun_elevation: number("match-sun"),
      overcast: number("match-overcast"), balanced: at("match-balanced").checked,
      samples: this.marks.map(({ x, y, range, what }) => `${x},${y}@${range.trim()}${what.trim() ? `=${what.trim()}` : ""}`),
    });
  }

  // Nothing where it failed: why stands where all that is wrong does.
  told(lines) {
    at("match-told").replaceChildren(...lines.map((line) => make("p", { textContent: line })));
    at("match-take").disabled = lines.length === 0;
  }
}
