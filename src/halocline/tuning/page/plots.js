// Small drawings of what the water does, drawn anew in the size that they have: their words are as large as
// the page's on every screen.
const SPACE = "http://www.w3.org/2000/svg";
const DRAWINGS = ["plot-white", "plot-contrast", "plot-spectrum"];
let newest = null;

const node = (tag, attributes, text = "") => {
  const made = document.createElementNS(SPACE, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.textContent = text;
  return made;
};
// An empty drawing, and the frame within it that its values lie in.
const start = (id, label) => {
  const drawing = document.getElementById(id);
  const em = 0.8 * parseFloat(getComputedStyle(document.documentElement).fontSize);
  const { width, height } = drawing.getBoundingClientRect();
  drawing.setAttribute("viewBox", `0 0 ${width} ${height}`);
  drawing.setAttribute("aria-label", label);
  drawing.replaceChildren();
  return { drawing, em, left: 4.2 * em, right: width - 0.8 * em, top: 0.8 * em, bottom: height - 1.9 * em };
};
const short = (value) => String(Number(Number(value).toPrecision(2)));
const axis = ({ drawing, em, left, right, bottom }, low, high, unit) => {
  for (const share of [0, 0.5, 1]) {
    const anchor = share === 0 ? "start" : share === 1 ? "end" : "middle";
    drawing.append(node("text", { x: left + share * (right - left), y: bottom + 1.4 * em, "text-anchor": anchor },
      `${short(low + share * (high - low))} ${unit}`));
  }
};
const rule = ({ drawing, em, left, right }, y, words) => {
  drawing.append(node("line", { x1: left, x2: right, y1: y, y2: y, stroke: "#3a3a3a" }));
  drawing.append(node("text", { x: left - 0.3 * em, y: y + 0.35 * em, "text-anchor": "end" }, words));
};
const path = (em, xs, ys, dashed) => node("polyline", {
  points: xs.map((x, index) => `${x},${ys[index]}`).join(" "), fill: "none", "stroke-width": 0.14 * em,
  ...(dashed ? { stroke: "#a2a2a2", "stroke-dasharray": `${0.5 * em} ${0.35 * em}` } : { stroke: "#d9b26f" }) });

export const drawPlots = (told) => {
  newest = told;
  drawAll();
  document.getElementById("story").replaceChildren(...told.story.map((line) => {
    const p = document.createElement("p");
    p.textContent = line;
    return p;
  }));
};
const drawAll = () => {
  if (!newest) return;
  drawWhite(newest);
  drawContrast(newest);
  drawSpectrum(newest.spectrum);
};
const resized = new ResizeObserver(drawAll);
for (const id of DRAWINGS) resized.observe(document.getElementById(id));

const drawWhite = ({ ranges, white }) => {
  const frame = start("plot-white", `Colour of a white card from 0 to ${short(ranges.at(-1))} metres`);
  const { drawing, right, top, bottom } = frame;
  const left = frame.em;
  const step = (right - left) / white.length;
  white.forEach(([red, green, blue], index) => drawing.append(node("rect", {
    x: left + index * step, y: top, width: step + 0.5, height: bottom - top, fill: `rgb(${red},${green},${blue})` })));
  axis({ ...frame, left }, ranges[0], ranges.at(-1), "m");
};

const drawContrast = ({ ranges, contrast }) => {
  const subject = contrast.subject;
  const words = subject ? `, the subject at ${short(subject)} metres` : "";
  const frame = start("plot-contrast", `Contrast of a black object over range, as shown and by physics alone${words}`);
  const { drawing, em, left, right, top, bottom } = frame;
  const x = (range) => left + (range / ranges.at(-1)) * (right - left);
  // From one to a thousandth, by the logarithm.
  const y = (value) => top + (-Math.log10(Math.max(value, 1e-3)) / 3) * (bottom - top);
  for (const value of [1, 0.1, 0.02]) rule(frame, y(value), `${value * 100} %`);
  drawing.append(path(em, ranges.map(x), contrast.physical.map(y), true));
  drawing.append(path(em, ranges.map(x), contrast.shown.map(y), false));
  if (subject && subject <= ranges.at(-1)) {
    drawing.append(node("line", { x1: x(subject), x2: x(subject), y1: top, y2: bottom, stroke: "#d6d6d6" }));
    // Beside its line, low down on the side that has room: the curves run high there.
    const near = x(subject) < (left + right) / 2;
    drawing.append(node("text", { x: x(subject) + (near ? 0.4 : -0.4) * em, y: near ? top + em : bottom - 0.4 * em,
      "text-anchor": near ? "start" : "end" }, "subject"));
  }
  axis(frame, 0, ranges.at(-1), "m");
};

const drawSpectrum = ({ nm, absorption, scattering }) => {
  const most = Math.max(...absorption, ...scattering) || 1;
  const frame = start("plot-spectrum", `Absorption and scattering of the bands over wavelength, up to ${short(most)} per metre`);
  const { drawing, em, left, right, top, bottom } = frame;
  const x = (wavelength) => left + ((wavelength - 400) / 300) * (right - left);
  const y = (value) => bottom - (value / most) * (bottom - top);
  rule(frame, y(most), `${short(most)}/m`);
  rule(frame, y(0), "0");
  drawing.append(path(em, nm.map(x), absorption.map(y), false));
  drawing.append(path(em, nm.map(x), scattering.map(y), true));
  axis(frame, 400, 700, "nm");
};
