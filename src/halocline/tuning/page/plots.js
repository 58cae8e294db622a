// Small drawings of what the water does.
const SPACE = "http://www.w3.org/2000/svg";
const [WIDE, HIGH, LEFT, BOTTOM] = [320, 120, 30, 16];

const node = (tag, attributes, text = "") => {
  const made = document.createElementNS(SPACE, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.textContent = text;
  return made;
};
const start = (id, label) => {
  const drawing = document.getElementById(id);
  drawing.setAttribute("viewBox", `0 0 ${WIDE} ${HIGH}`);
  drawing.setAttribute("aria-label", label);
  drawing.replaceChildren();
  return drawing;
};
const short = (value) => String(Number(Number(value).toPrecision(2)));
const axis = (drawing, low, high, unit) => {
  for (const share of [0, 0.5, 1]) {
    const x = LEFT + share * (WIDE - LEFT - 8);
    const anchor = share === 0 ? "start" : share === 1 ? "end" : "middle";
    drawing.append(node("text", { x, y: HIGH - 4, "text-anchor": anchor }, `${short(low + share * (high - low))} ${unit}`));
  }
};
const path = (xs, ys, attributes) => node("polyline", {
  points: xs.map((x, index) => `${x},${ys[index]}`).join(" "), fill: "none", "stroke-width": 1.5, ...attributes });

export const drawPlots = (told) => {
  drawWhite(told);
  drawContrast(told);
  drawSpectrum(told.spectrum);
  document.getElementById("story").replaceChildren(...told.story.map((line) => {
    const p = document.createElement("p");
    p.textContent = line;
    return p;
  }));
};

const drawWhite = ({ ranges, white }) => {
  const drawing = start("plot-white", `Colour of a white card from 0 to ${short(ranges.at(-1))} metres`);
  const step = (WIDE - LEFT - 8) / white.length;
  white.forEach(([red, green, blue], index) => drawing.append(node("rect", {
    x: LEFT + index * step, y: 6, width: step + 0.5, height: HIGH - BOTTOM - 8, fill: `rgb(${red},${green},${blue})` })));
  axis(drawing, ranges[0], ranges.at(-1), "m");
};

const drawContrast = ({ ranges, contrast }) => {
  const subject = contrast.subject;
  const words = subject ? `, the subject at ${short(subject)} metres` : "";
  const drawing = start("plot-contrast", `Contrast of a black object over range${words}`);
  const x = (range) => LEFT + (range / ranges.at(-1)) * (WIDE - LEFT - 8);
  // From one to a thousandth, by the logarithm.
  const y = (value) => 6 + (-Math.log10(Math.max(value, 1e-3)) / 3) * (HIGH - BOTTOM - 8);
  for (const value of [1, 0.1, 0.02]) {
    drawing.append(node("line", { x1: LEFT, x2: WIDE - 8, y1: y(value), y2: y(value), stroke: "#3a3a3a" }));
    drawing.append(node("text", { x: LEFT - 3, y: y(value) + 3, "text-anchor": "end" }, `${value * 100} %`));
  }
  drawing.append(path(ranges.map(x), contrast.physical.map(y), { stroke: "#a2a2a2", "stroke-dasharray": "3 2" }));
  drawing.append(path(ranges.map(x), contrast.shown.map(y), { stroke: "#d9b26f" }));
  if (subject && subject <= ranges.at(-1)) {
    drawing.append(node("line", { x1: x(subject), x2: x(subject), y1: 6, y2: HIGH - BOTTOM, stroke: "#d6d6d6" }));
    drawing.append(node("text", { x: x(subject) - 3, y: 14, "text-anchor": "end" }, "subject"));
  }
  axis(drawing, 0, ranges.at(-1), "m");
};

const drawSpectrum = ({ nm, absorption, scattering }) => {
  const drawing = start("plot-spectrum", "Absorption and scattering of the bands over wavelength");
  const most = Math.max(...absorption, ...scattering) || 1;
  const x = (wavelength) => LEFT + ((wavelength - 400) / 300) * (WIDE - LEFT - 8);
  const y = (value) => HIGH - BOTTOM - 2 - (value / most) * (HIGH - BOTTOM - 12);
  drawing.append(path(nm.map(x), absorption.map(y), { stroke: "#d9b26f" }));
  drawing.append(path(nm.map(x), scattering.map(y), { stroke: "#a2a2a2", "stroke-dasharray": "3 2" }));
  drawing.append(node("text", { x: LEFT + 4, y: 12 }, `absorption —  scattering - -   up to ${short(most)} 1/m`));
  axis(drawing, 400, 700, "nm");
};
