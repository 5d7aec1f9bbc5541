// The small drawing of the table, turned as the camera sees it, with the mark that is asked for lit up.
const SPACE = "http://www.w3.org/2000/svg";

function add(parent, name, values, words) {
  const part = document.createElementNS(SPACE, name);
  for (const [key, value] of Object.entries(values)) part.setAttribute(key, value);
  if (words !== undefined) part.textContent = words;
  parent.append(part);
}

/** Draw the table; `turns` says how often it is turned a quarter clockwise from head rail at the bottom. */
export function drawTable(svg, table, { turns, next, states }) {
  const { width_mm: W, length_mm: L } = table;
  const turned = ([x, y]) => [[x, L - y], [y, x], [W - x, y], [L - y, W - x]][turns];
  const size = turns % 2 ? [L, W] : [W, L];
  const edge = 330;
  svg.replaceChildren();
  svg.setAttribute("viewBox", `${-edge} ${-edge} ${size[0] + 2 * edge} ${size[1] + 2 * edge}`);
  add(svg, "rect", { x: -200, y: -200, width: size[0] + 400, height: size[1] + 400, rx: 90, class: "rail" });
  add(svg, "rect", { x: 0, y: 0, width: size[0], height: size[1], class: "cloth" });
  const [x, spot] = table.lane_mm;
  const [x1, y1] = turned([x, spot]);
  const [x2, y2] = turned([x, L]);
  add(svg, "line", { x1, y1, x2, y2, class: "aim" });
  add(svg, "circle", { cx: x1, cy: y1, r: 34, class: "cue-ball" });
  for (const [words, place] of [["foot rail", [W / 2, L + 255]], ["head rail, shooter", [W / 2, -255]]]) {
    const [u, v] = turned(place);
    const upright = turns % 2 ? { transform: `rotate(-90 ${u} ${v})` } : {};
    add(svg, "text", { x: u, y: v + 34, "text-anchor": "middle", ...upright }, words);
  }
  for (const [name, place] of Object.entries(table.marks)) {
    const [cx, cy] = turned(place);
    const state = name === next ? "lit" : states[name] || "open";
    if (state === "lit") add(svg, "circle", { cx, cy, r: 120, class: "halo" });
    add(svg, "circle", { cx, cy, r: state === "lit" ? 56 : 34, class: `mark ${state}` });
  }
}
