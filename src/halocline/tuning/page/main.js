// The page as a whole: the line to the server, and what belongs to neither keys nor picture.
import { keepingFocus } from "/page/focus.js";
import { Keys } from "/page/keys.js";
import { Marks } from "/page/match.js";
import { Picture } from "/page/picture.js";
import { drawPlots } from "/page/plots.js";

const at = (id) => document.getElementById(id);
const RAMP = [[0.5, "250,238,214"], [2, "236,197,138"], [4, "178,120,122"], [16, "96,112,150"], [64, "38,62,88"]];
let line = null;
let preset = null;
let waiting = null; // settings sent and not yet answered
let newest = null; // settings asked for meanwhile: only the last are sent
let loop = null;
let troubled = 0; // the state whose picture could not be made

const say = (text, wrong = false) => {
  at("status").textContent = text;
  at("status").classList.toggle("wrong", wrong);
};
const send = (message) => {
  if (line && line.readyState === WebSocket.OPEN) line.send(JSON.stringify(message));
};
// One change is on its way at a time; of those made meanwhile of one key, the last wins.
const change = (settings, gesture = "") => {
  const message = { do: "set", settings, gesture, path: settings[0].split("=")[0] };
  if (waiting === null) { waiting = message; send(message); }
  else if (newest === null || (newest.gesture && newest.gesture === gesture)) newest = message;
  else newest = { ...message, settings: [...newest.settings, ...settings], gesture: "" };
};
const answered = () => {
  waiting = newest;
  newest = null;
  if (waiting) send(waiting);
};

const showsStill = () => at("canvas").dataset.shows === "reference";
const picture = new Picture(at("canvas"), (x, y) => {
  if (showsStill()) say("Values are told of the frame: this is the reference still.");
  else send({ do: "probe", x, y });
});
const pick = (then) => {
  say("Click in the picture, or press Enter there for its middle; Escape gives it up.");
  picture.pick(then);
};
// An origin is where a point is seen on the frame that shows it.
const pickOrigin = (name) => (showsStill() ? say("An origin is placed in the frame: show it first.", true) : pick((point) =>
  send({ do: "place", name, point, frame: Number(at("canvas").dataset.frame), path: `origins.${name}.point` })));
const keys = new Keys(at("groups"), { change, frames: () => frames(), frame: () => Number(at("frame").value), pick: pickOrigin, say, send });
const marks = new Marks({ send, say, pick, picture });
const frames = () => [...at("frame").options].map((option) => Number(option.value));

const look = () => {
  const beside = at("beside").value;
  at("other-part").hidden = beside !== "preset";
  const against = beside === "preset" ? (at("other").value ? `preset:${at("other").value}` : "") : beside;
  at("wipe-part").hidden = against === "";
  at("ramp").hidden = at("shows").value !== "range";
  picture.wipe = against === "" ? null : Number(at("wipe").value) / 100;
  send({
    do: "look", frame: Number(at("frame").value), exposure: Number(at("exposure").value) || 0,
    shows: at("shows").value, step: at("step").value, beside: against,
  });
};

const show = (told) => {
  preset = told;
  at("title").textContent = told.title || told.name;
  document.title = `${told.name}: tune`;
  at("layers").textContent = told.layers.join("  ‹  ");
  at("undo").disabled = !told.can_undo;
  at("undo-all").disabled = !told.can_undo;
  at("redo").disabled = !told.can_redo;
  at("save").disabled = !told.can_save;
  at("save").title = told.can_save ? "" : "Start halocline tune with --save-to to save versions";
  at("text").textContent = told.text;
  const chosen = at("step").value;
  const done = told.steps.filter((step) => step.enabled).map((step) => step.name);
  at("step").replaceChildren(new Option("the end", ""), ...done.map((name) => new Option(name, name)));
  at("step").value = done.includes(chosen) ? chosen : "";
  if (at("mattes").options.length !== told.mattes.length || told.mattes.some((name, index) => at("mattes").options[index].value !== name))
    at("mattes").replaceChildren(...told.mattes.map((name) => new Option(name, name)));
  keys.show(told);
  const loose = told.remarks;
  at("remarks").replaceChildren(...loose.map((each) => {
    const p = document.createElement("p");
    p.className = "told";
    p.textContent = `${each.where}: ${each.text}. ${each.fix}`;
    return p;
  }));
  picture.wanted = told.number;
  // What is wrong with this state's picture may be known before all that is told of its preset.
  if (told.number !== troubled) say(told.unsaved ? "changed, not saved" : "as in the file");
};

const shownPicture = async (head, data) => {
  if (head.is === "strip") return addToStrip(head, data);
  await picture.take(head, data);
  at("settling").hidden = !head.coarse;
  if (loop && loop.collecting && !head.coarse && head.place === "main") loopTook(head.frame);
};

const addToStrip = (head, data) => {
  const button = document.createElement("button");
  button.type = "button";
  const image = new Image();
  image.src = URL.createObjectURL(data);
  image.alt = "";
  image.onload = () => URL.revokeObjectURL(image.src);
  button.append(image, String(head.frame));
  button.setAttribute("aria-label", `Show frame ${head.frame}`);
  button.onclick = () => { at("frame").value = head.frame; look(); };
  at("strip").append(button);
};

// A loop: every frame is fetched fine once, then they are shown at the frame rate from memory.
const stopLoop = () => {
  if (!loop) return;
  cancelAnimationFrame(loop.timer);
  loop.shots.forEach((shot) => shot.close());
  loop = null;
  at("play").setAttribute("aria-pressed", "false");
  at("play").textContent = "Play";
  look();
};
const startLoop = () => {
  const list = frames().slice(0, 48);
  if (list.length < 2) return say("There is one frame only: nothing to play.", true);
  const fps = keyValue(["sequence", "frames_per_second"]) || 24;
  loop = { list, fps, shots: [], collecting: true, number: preset.number };
  at("play").setAttribute("aria-pressed", "true");
  at("play").textContent = "Stop";
  at("frame").value = list[0];
  look();
};
const loopTook = async (frame) => {
  if (frame !== loop.list[loop.shots.length]) return;
  loop.shots.push(await picture.copy());
  say(`frame ${loop.shots.length} of ${loop.list.length} made ready`);
  if (loop.shots.length < loop.list.length) {
    at("frame").value = loop.list[loop.shots.length];
    look();
    return;
  }
  loop.collecting = false;
  const started = performance.now();
  const turn = (now) => {
    if (!loop) return;
    const index = Math.floor(((now - started) / 1000) * loop.fps) % loop.shots.length;
    picture.flip(loop.shots[index]);
    loop.timer = requestAnimationFrame(turn);
  };
  loop.timer = requestAnimationFrame(turn);
};
const keyValue = (path) => {
  for (const group of preset ? preset.sections : [])
    for (const key of group.keys) if (key.path.join() === path.join()) return key.value ?? key.default;
  return null;
};

const told = {
  start: (message) => {
    const chosen = at("frame").value;
    at("frame").replaceChildren(...message.frames.map((frame) => new Option(frame, frame)));
    if (message.frames.map(String).includes(chosen)) at("frame").value = chosen;
    const has = [...at("beside").options].some((option) => option.value === "reference");
    if (message.has_reference && !has) for (const id of ["beside", "shows"]) at(id).append(new Option("the reference still", "reference"));
    at("match").hidden = !message.has_reference;
    at("presets").replaceChildren(...message.presets.map((name) => new Option(name, name)));
    waiting = newest = null;
    look();
  },
  preset: (message) => {
    if (loop && message.number !== loop.number) stopLoop();
    keepingFocus(() => show(message));
    answered();
  },
  plots: (message) => { if (preset && message.number >= preset.number) drawPlots(message); },
  probe: (message) => {
    const number = (value) => (value === null ? "open" : String(Number(Number(value).toPrecision(3))));
    const part = (name, text) => {
      const span = document.createElement("span");
      const strong = document.createElement("b");
      strong.textContent = text;
      span.append(`${name} `, strong);
      return span;
    };
    const parts = message.values.map(({ name, value }) =>
      part(name, Array.isArray(value) ? value.map(number).join("  ") : value));
    const outside = message.values.length ? [] : [part("outside", "the frame")];
    at("probe").replaceChildren(part("pixel", `${message.x}, ${message.y}`), ...parts, ...outside);
  },
  problem: (message) => {
    troubled = message.number ?? troubled;
    keys.complain(message.path, message.problems);
    say(message.problems.map((each) => `${each.text}. ${each.fix}`).join(" "), true);
    answered();
  },
  of_part: (message) => keys.ofPart(message.key, message.keys),
  matched: (message) => marks.told(message.lines),
  saved: (message) => {
    // It can be compared with from now on.
    if (![...at("presets").options].some((option) => option.value === message.file)) at("presets").prepend(new Option(message.file, message.file));
    say(`Saved as ${message.file}. To render the sequence:  ${message.command}`);
  },
};

const connect = () => {
  line = new WebSocket(`ws://${location.host}/live`);
  line.binaryType = "arraybuffer";
  line.onopen = () => { document.body.dataset.line = "open"; say("connected"); };
  line.onmessage = ({ data }) => {
    if (typeof data === "string") {
      const message = JSON.parse(data);
      told[message.is]?.(message);
      return;
    }
    const length = new DataView(data).getUint32(0);
    const head = JSON.parse(new TextDecoder().decode(new Uint8Array(data, 4, length)));
    shownPicture(head, new Blob([new Uint8Array(data, 4 + length)]));
  };
  line.onclose = () => {
    document.body.dataset.line = "lost";
    say("The server does not answer; trying again. If it was ended, start halocline tune anew and open the address it prints.", true);
    setTimeout(connect, 1000);
  };
};

at("undo").onclick = () => send({ do: "undo" });
at("undo-all").onclick = () => send({ do: "undo_all" });
at("redo").onclick = () => send({ do: "redo" });
at("save").onclick = () => send({ do: "save" });
for (const id of ["frame", "shows", "step", "exposure", "beside", "other"]) at(id).onchange = look;
at("wipe").oninput = () => { picture.wipe = Number(at("wipe").value) / 100; picture.draw(); };
at("fit").onclick = () => picture.fit();
at("pixels").onclick = () => picture.pixelForPixel();
at("play").onclick = () => (loop ? stopLoop() : startLoop());
at("strip-make").onclick = () => { at("strip").replaceChildren(); send({ do: "strip" }); };
at("origin-add").onclick = () => {
  const name = at("origin-name").value.trim();
  if (!/^[A-Za-z0-9_-]+$/.test(name)) return say("Call the origin by letters, digits, _ and - alone.", true);
  pickOrigin(name);
};
at("finder").onsubmit = (event) => { event.preventDefault(); keys.enter(); };
const find = () => {
  // What is remarked stands at its key, too; above the list it would stand between a search and what it finds.
  at("remarks").hidden = at("search").value.trim() !== "" || at("only-changed").checked;
  keys.find(at("search").value, at("only-changed").checked);
};
at("search").oninput = find;
at("only-changed").onchange = find;
at("ramp").replaceChildren(...RAMP.map(([metres, colour]) => {
  const span = document.createElement("span");
  const chip = document.createElement("i");
  chip.style.background = `rgb(${colour})`;
  span.append(chip, `${metres} m`);
  return span;
}));
document.addEventListener("keydown", (event) => {
  if ((event.ctrlKey || event.metaKey) && event.key === "s") {
    event.preventDefault();
    if (!at("save").disabled) send({ do: "save" });
    else say(at("save").title, true);
  }
  if (!(event.ctrlKey || event.metaKey) || event.target.matches("input[type=text],input[type=search]")) return;
  if (event.key === "z") { event.preventDefault(); send({ do: event.shiftKey ? "redo" : "undo" }); }
  if (event.key === "y") { event.preventDefault(); send({ do: "redo" }); }
});
connect();
