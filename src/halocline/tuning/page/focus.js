// Where the keyboard is, kept while what it stands on is made anew, put out of use or taken away.
const named = (node) => node.getAttribute("aria-label") || node.textContent.trim();
const usable = (node) => !node.disabled && node.offsetParent !== null;
const within = (place) => [...place.querySelectorAll("summary, input, select, button")].filter(usable);

// Do something to the page; whoever was at a control is at the same one afterwards, or at the nearest that is left.
export const keepingFocus = (change) => {
  const before = document.activeElement;
  if (!before || before === document.body) return change();
  const places = [];
  for (let place = before.closest("[data-path]"); place; place = place.parentElement.closest("[data-path]")) places.push(place.dataset.path);
  const name = named(before);
  const made = change();
  const now = document.activeElement;
  // Elsewhere on purpose.
  if (now !== document.body && now !== before) return made;
  if (before.isConnected && usable(before)) { if (now !== before) before.focus(); return made; }
  const same = before.id && document.getElementById(before.id);
  const found = same && usable(same) ? same : nearest(places, name) ?? beside(before);
  found?.focus();
  return made;
};
const nearest = (places, name) => {
  for (const path of places) {
    const place = document.querySelector(`[data-path="${CSS.escape(path)}"]`);
    const left = place ? within(place) : [];
    const found = left.find((node) => named(node) === name) ?? left[0];
    if (found) return found;
  }
  return null;
};
const beside = (node) => (node.isConnected ? within(node.closest(".row, form, header") ?? document.body)[0] : null);
