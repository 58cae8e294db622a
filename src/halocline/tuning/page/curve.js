// What a curve holds at a frame, as `halocline.presets.curves` reads it: its drawing, and keys put on it, agree with frames.
const slope = (keys, index) => {
  if (index === 0 || index === keys.length - 1) return 0;
  const [[f0, v0], [f1, v1], [f2, v2]] = keys.slice(index - 1, index + 2);
  const [h0, h1] = [f1 - f0, f2 - f1];
  const [d0, d1] = [(v1 - v0) / h0, (v2 - v1) / h1];
  if (d0 * d1 <= 0) return 0;
  const [w0, w1] = [2 * h1 + h0, h1 + 2 * h0];
  return (w0 + w1) / (w0 / d0 + w1 / d1);
};

// Of values that are no numbers the one before holds.
export const valueAt = (kind, keys, frame) => {
  const after = keys.findIndex((key) => key[0] > frame);
  if (after === 0) return keys[0][1];
  const left = after < 0 ? keys.length - 1 : after - 1;
  const [first, from] = keys[left];
  if (after < 0 || kind === "held" || typeof from !== "number" || typeof keys[after][1] !== "number") return from;
  const [last, to] = keys[after];
  const t = (frame - first) / (last - first);
  if (kind === "linear") return from + t * (to - from);
  const [square, cube, span] = [t * t, t * t * t, last - first];
  return (2 * cube - 3 * square + 1) * from + (cube - 2 * square + t) * span * slope(keys, left)
    + (3 * square - 2 * cube) * to + (cube - square) * span * slope(keys, after);
};
