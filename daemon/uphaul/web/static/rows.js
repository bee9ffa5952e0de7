// Rows that are made once for each key; then only their texts change, so that nothing jumps and little is drawn.

export const byId = (id) => document.getElementById(id);

export function setText(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

export function make(tag, className = "", text = "") {
  const node = document.createElement(tag);
  if (className) node.className = className;
  if (text) node.textContent = text;
  return node;
}

export function button(text, className, act) {
  const node = make("button", className, text);
  node.type = "button";
  node.addEventListener("click", act);
  return node;
}

/** Shows `items` in `list`: `build(node)` once for a new key, `fill(node, item, part)` at every call. */
export function rows(list, items, keyOf, build, fill) {
  const old = new Map([...list.children].map((node) => [node.dataset.key, node]));
  items.forEach((item, place) => {
    const key = keyOf(item);
    let node = old.get(key);
    old.delete(key);
    if (!node) {
      node = make("li");
      node.dataset.key = key;
      build(node);
    }
    if (list.children[place] !== node) list.insertBefore(node, list.children[place] ?? null);
    fill(node, item, (name) => node.querySelector(`.${name}`));
  });
  for (const node of old.values()) node.remove();
}

/** A `build` of plain parts, by class. */
export const parts = (...names) => (node) => node.append(...names.map((name) => make("div", name)));
