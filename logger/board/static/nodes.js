// Small hands for the page. Text goes in as text, never as markup.

const LONGEST = 400; // an instrument may send anything; a page of it helps nobody
// Controls and marks that reorder text: what an instrument sent must not change how its neighbours read.
const ODD = /[\u0000-\u001f\u007f-\u009f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]/g;

/** Any value as text that is safe to read: odd characters shown as such, length bounded. */
export function clean(value) {
  const text = value === null || value === undefined ? "" : String(value);
  const short = text.length > LONGEST ? `${text.slice(0, LONGEST)}…` : text;
  return short.replace(ODD, "\ufffd");
}

/** Write text into the slot of that name; an unchanged text is left alone. */
export function put(root, slot, value) {
  const node = root.querySelector(`[data-f="${slot}"]`);
  const text = clean(value);
  if (node.textContent !== text) node.textContent = text;
  return node;
}

/** A copy of a template's only element. */
export function copy(id) {
  return document.getElementById(id).content.firstElementChild.cloneNode(true);
}

/** Make the children of parent match items, keeping each child (and its focus) by key. */
export function keyed(parent, items, keyOf, make, update) {
  const had = new Map();
  for (const child of parent.children) had.set(child.dataset.key, child);
  let place = parent.firstElementChild;
  items.forEach((item, index) => {
    let key = String(keyOf(item));
    if (!had.has(key) || had.get(key) === null) {
      if (had.get(key) === null) key = `${key} ${index}`;
      const made = make(item);
      made.dataset.key = key;
      had.set(key, made);
    }
    const child = had.get(key);
    had.set(key, null);
    if (child === place) place = place.nextElementSibling;
    else parent.insertBefore(child, place);
    update(child, item);
  });
  for (const child of had.values()) if (child) child.remove();
}

export const list = (value) => (Array.isArray(value) ? value : []);
export const words = (...parts) => parts.filter((part) => part !== "" && part !== null && part !== undefined).join(" · ");
