// Clicking the marks: the picture with what was clicked and what is expected, one prompt, one list.
import { drawTable } from "./tablemap.js";
import { complain, say, send, tried } from "./talk.js";
import { View } from "./view.js";

const at = (id) => document.getElementById(id);
const canvas = at("picture");
const pen = canvas?.getContext("2d");
const lens = at("lens")?.getContext("2d");
const view = canvas && new View(canvas);
const GRAB = 16; // pixels of the page within which a mark is taken hold of
const CHOOSE = 5; // and within which a click without a drag means it
const picture = new Image();
let state = null;
let fit = null;
let wish = null; // a mark that the person chose instead of the next one
let last = null; // the mark set last, moved by the arrow keys
let turns = null; // chosen by hand, until the camera tells
let pointer = null;
let busy = Promise.resolve();

const asked = () => wish || state?.next || null;
const answer = (name) => state.answers.find((one) => one.name === name);
const wordsOf = (name) => [...state.asked, ...state.answers].find((one) => one.name === name)?.words || name;

/** Send changes one after the other, so that fast clicks keep their order. */
function change(body) {
  busy = busy.then(() => tried(() => changed(body)));
  return busy;
}

async function changed(body) {
  try {
    state = await send("/api/marks", { method: "POST", body: { version: state.version, ...body } });
  } catch (error) {
    state = await send("/api/marks"); // what was shown ahead of the answer may not stand
    show();
    solve();
    throw error;
  }
  if (wish && answer(wish)) wish = null;
  show();
  solve();
}

let solving = null;

async function solve() {
  solving?.abort();
  solving = new AbortController();
  at("verdict").classList.add("old");
  await tried(async () => {
    const found = await send(`/api/marks/fit?version=${state.version}`, { signal: solving.signal });
    if (found.version !== state.version) return;
    fit = found;
    canvas.dataset.fit = found.version;
    show();
  });
}

function put(name, [u, v], taken = false) {
  last = name;
  const one = answer(name);
  if (one) one.click_px = [u, v]; // shown at once; the server's answer follows
  draw();
  return change({ do: "put", name, u_px: u, v_px: v, taken });
}

// What the page says ------------------------------------------------------------------------------------------------

function show() {
  const name = asked();
  const expected = name && fit?.predictions?.find((one) => one.name === name);
  at("ask-what").textContent = name ? `Click ${wordsOf(name)}` : "All marks were asked for.";
  at("ask-more").textContent = !name
    ? "Calibrate, or mend a mark in the list."
    : expected
      ? `Expected at the dashed ring. ${expected.found_px ? "Enter takes it over." : expected.why}`
      : "If it is not in the picture: S.";
  canvas.dataset.asked = name || "";
  const fitting = (fit?.predictions || []).filter((one) => one.found_px && !answer(one.name)).length;
  at("fitting").textContent = fitting || "";
  at("take").disabled = !fitting;
  at("undo").disabled = !state.answers.length;
  at("skip").disabled = !name;
  const placed = state.answers.filter((one) => one.click_px).length;
  at("how-many").textContent = `${placed}`;
  at("done").disabled = !fit?.ready || fit.version !== state.version;
  verdict(placed);
  list();
  map();
  draw();
}

function verdict(placed) {
  const box = at("verdict");
  box.hidden = false;
  box.classList.toggle("old", fit?.version !== state.version && placed >= 4);
  box.classList.toggle("doubtful", Boolean(fit?.refusal) || placed < 4);
  box.replaceChildren();
  const line = (words, kind = "p") => {
    const part = document.createElement(kind);
    part.textContent = words;
    box.append(part);
  };
  if (placed < 4) line(`${4 - placed} more mark${placed === 3 ? "" : "s"}, then the others are found for you.`);
  else if (!fit || fit.version !== state.version) line("Looking at the marks…");
  else if (fit.refusal) line(`Not yet: ${fit.refusal}.`.replace("..", "."));
  else {
    line(fit.precision);
    line(fit.side);
    for (const words of fit.notices) line(words);
  }
  const more = at("expects");
  more.replaceChildren();
  if (fit?.version !== state.version || !fit?.expects) return;
  for (const [words, kind] of [...fit.expects.map((one) => [one, "soft"]), ...fit.advice.map((one) => [one, "advice"])]) {
    const part = document.createElement("p");
    part.textContent = words;
    part.className = kind;
    more.append(part);
  }
}

function list() {
  const marks = new Map((fit?.marks || []).map((one) => [one.name, one]));
  at("list").replaceChildren(
    ...state.answers.map((one) => {
      const found = marks.get(one.name);
      const line = document.createElement("li");
      const left = one.click_px && found && !found.used;
      line.className = left ? "wrong" : one.click_px ? "" : "skipped";
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = one.name;
      button.title = one.words;
      button.addEventListener("click", () => mend(one.name));
      const said = document.createElement("span");
      said.textContent = !one.click_px
        ? "not to be seen"
        : !found
          ? one.taken ? "taken from the picture" : "clicked"
          : left
            ? `wrong? ${found.note}. Click it again.`
            : `${Math.hypot(...found.residual_px).toFixed(2)} px off${found.snapped ? ", snapped" : `; ${found.cost}`}${found.note && !found.note.startsWith("not snapped") ? `; ${found.note}` : ""}`;
      const away = document.createElement("button");
      away.type = "button";
      away.textContent = "×";
      away.setAttribute("aria-label", `Forget ${one.name}`);
      away.addEventListener("click", () => change({ do: "forget", name: one.name }));
      line.append(button, said, away);
      return line;
    }),
  );
}

function mend(name) {
  wish = name;
  last = name;
  const place = answer(name)?.click_px || fit?.predictions?.find((one) => one.name === name)?.place_px;
  if (place) view.goTo(place, 3);
  say(`Click ${wordsOf(name)} again.`);
  show();
  canvas.focus();
}

function map() {
  const marks = new Map((fit?.marks || []).map((one) => [one.name, one]));
  const states = {};
  for (const one of state.answers) {
    states[one.name] = !one.click_px ? "skipped" : marks.get(one.name)?.used === false ? "wrong" : "set";
  }
  drawTable(at("map"), state.drawing, { turns: turns ?? fit?.turns ?? 2, next: asked(), states });
}

// What is drawn over the picture --------------------------------------------------------------------------------------

function draw() {
  if (!picture.naturalWidth) return;
  pen.setTransform(1, 0, 0, 1, 0, 0);
  pen.fillStyle = "#0b0e10";
  pen.fillRect(0, 0, canvas.width, canvas.height);
  pen.filter = `brightness(${at("bright").value}%) contrast(${at("contrast").value}%)`;
  pen.imageSmoothingEnabled = view.zoom < 3 * view.sharp;
  const [x, y] = view.canvasPlace([-0.5, -0.5]);
  pen.drawImage(picture, x, y, view.size[0] * view.zoom, view.size[1] * view.zoom);
  pen.filter = "none";
  if (!state) return;
  if (fit?.lines) {
    stroke(fit.lines.outline, "#9fe3d0", 1.6);
    stroke(fit.lines.lane, "#dfe8ee", 1.4, [8, 8]);
    stroke(fit.lines.scale, "#ffd24a", 1.6);
  }
  for (const one of fit?.predictions || []) {
    if (answer(one.name)) continue;
    ring(one.found_px || one.place_px, one.found_px ? "#7df0a5" : "#cfd8dc", one.name === asked() ? 15 : 9, [5, 4]);
    if (one.name === asked()) label(one.place_px, one.name, "#ffffff");
  }
  const marks = new Map((fit?.marks || []).map((one) => [one.name, one]));
  for (const one of state.answers) {
    if (!one.click_px) continue;
    const found = marks.get(one.name);
    const wrong = found && !found.used;
    cross(one.click_px, wrong ? "#ff6b6b" : one.name === last ? "#ffffff" : "#ffb27a");
    if (found?.used) {
      // Residuals are fractions of a pixel: drawn forty times enlarged.
      const [u, v] = found.used_px;
      const [du, dv] = found.residual_px;
      if (found.snapped) ring(found.used_px, "#ffb27a", 6);
      stroke([[u, v], [u + 40 * du, v + 40 * dv]], "#ff8c50", 2.4);
    }
    if (wrong || one.name === last || view.zoom > 1.6 * view.sharp) label(one.click_px, one.name, wrong ? "#ff9c9c" : "#ffe3cf");
  }
  magnify();
}

function path(points) {
  pen.beginPath();
  let on = false;
  for (const point of points) {
    if (!point) {
      on = false;
      continue;
    }
    const [x, y] = view.canvasPlace(point);
    if (on) pen.lineTo(x, y);
    else pen.moveTo(x, y);
    on = true;
  }
}

function stroke(points, colour, width, dashes = []) {
  pen.setLineDash(dashes.map((dash) => dash * view.sharp));
  pen.lineWidth = (width + 2) * view.sharp;
  pen.strokeStyle = "rgba(10,14,16,.6)";
  path(points);
  if (!dashes.length) pen.stroke();
  pen.lineWidth = width * view.sharp;
  pen.strokeStyle = colour;
  pen.stroke();
  pen.setLineDash([]);
}

function ring(place, colour, radius, dashes = []) {
  const [x, y] = view.canvasPlace(place);
  pen.setLineDash(dashes.map((dash) => dash * view.sharp));
  for (const [style, width] of [["rgba(10,14,16,.7)", 4], [colour, 2]]) {
    pen.beginPath();
    pen.arc(x, y, radius * view.sharp, 0, 2 * Math.PI);
    pen.strokeStyle = style;
    pen.lineWidth = width * view.sharp;
    pen.stroke();
  }
  pen.setLineDash([]);
}

function cross(place, colour) {
  const [x, y] = view.canvasPlace(place);
  for (const [style, width] of [["rgba(10,14,16,.8)", 4], [colour, 1.8]]) {
    pen.beginPath();
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      pen.moveTo(x + 3 * dx * view.sharp, y + 3 * dy * view.sharp);
      pen.lineTo(x + 11 * dx * view.sharp, y + 11 * dy * view.sharp);
    }
    pen.strokeStyle = style;
    pen.lineWidth = width * view.sharp;
    pen.stroke();
  }
}

function label(place, words, colour) {
  const [x, y] = view.canvasPlace(place);
  pen.font = `600 ${14 * view.sharp}px system-ui, sans-serif`;
  pen.lineWidth = 4 * view.sharp;
  pen.strokeStyle = "rgba(10,14,16,.85)";
  pen.strokeText(words, x + 14 * view.sharp, y - 10 * view.sharp);
  pen.fillStyle = colour;
  pen.fillText(words, x + 14 * view.sharp, y - 10 * view.sharp);
}

function magnify() {
  const expected = fit?.predictions?.find((one) => one.name === asked());
  const place = pointer || (last && answer(last)?.click_px) || expected?.place_px || [view.size[0] / 2, view.size[1] / 2];
  const reach = 12; // pixels of the picture to either side
  const scale = 200 / (2 * reach);
  lens.fillStyle = "#0b0e10";
  lens.fillRect(0, 0, 200, 200);
  lens.imageSmoothingEnabled = false;
  lens.filter = `brightness(${at("bright").value}%) contrast(${at("contrast").value}%)`;
  lens.drawImage(picture, place[0] + 0.5 - reach, place[1] + 0.5 - reach, 2 * reach, 2 * reach, 0, 0, 200, 200);
  lens.filter = "none";
  for (const [style, width] of [["rgba(10,14,16,.7)", 3], ["#ffd24a", 1.2]]) {
    lens.strokeStyle = style;
    lens.lineWidth = width;
    lens.beginPath();
    for (const [x1, y1, x2, y2] of [[100, 60, 100, 94], [100, 106, 100, 140], [60, 100, 94, 100], [106, 100, 140, 100]]) {
      lens.moveTo(x1, y1);
      lens.lineTo(x2, y2);
    }
    lens.stroke();
  }
  const one = last && !pointer && fit?.marks?.find((mark) => mark.name === last);
  if (one?.snapped) {
    lens.strokeStyle = "#7df0a5";
    lens.lineWidth = 2;
    lens.beginPath();
    lens.arc(100 + scale * (one.used_px[0] - place[0]), 100 + scale * (one.used_px[1] - place[1]), 6, 0, 2 * Math.PI);
    lens.stroke();
  }
}

// Hands -----------------------------------------------------------------------------------------------------------------

const touches = new Map();
let hold = null; // {name} while a mark is dragged, {moved} while the picture is

function markUnder(x, y) {
  const box = canvas.getBoundingClientRect();
  let best = null;
  let near = GRAB;
  for (const one of state.answers) {
    if (!one.click_px) continue;
    const [u, v] = view.canvasPlace(one.click_px);
    const far = Math.hypot(u / view.sharp + box.left - x, v / view.sharp + box.top - y);
    if (far < near) [best, near] = [one, far];
  }
  return best && { ...best, far: near };
}

function press(event) {
  if (event.button || !picture.naturalWidth) return;
  canvas.setPointerCapture(event.pointerId);
  touches.set(event.pointerId, [event.clientX, event.clientY]);
  if (touches.size > 1) {
    hold = { pinch: true };
    return;
  }
  const grabbed = wish ? null : markUnder(event.clientX, event.clientY);
  hold = { from: [event.clientX, event.clientY], name: grabbed?.name, start: grabbed?.click_px, far: grabbed?.far, moved: false };
}

function move(event) {
  pointer = view.picture(event.clientX, event.clientY);
  const before = touches.get(event.pointerId);
  if (!before) {
    magnify();
    return;
  }
  const here = [event.clientX, event.clientY];
  if (touches.size === 2) {
    const other = [...touches].find(([id]) => id !== event.pointerId)[1];
    const gap = (one) => Math.max(Math.hypot(one[0] - other[0], one[1] - other[1]), 1);
    view.move((here[0] - before[0]) / 2, (here[1] - before[1]) / 2);
    view.zoomAt((here[0] + other[0]) / 2, (here[1] + other[1]) / 2, gap(here) / gap(before));
  } else if (hold && !hold.pinch) {
    if (Math.hypot(here[0] - hold.from[0], here[1] - hold.from[1]) > 5) hold.moved = true;
    if (hold.moved && hold.name) {
      const [u, v] = view.picture(...hold.from);
      answer(hold.name).click_px = [hold.start[0] + pointer[0] - u, hold.start[1] + pointer[1] - v];
      last = hold.name;
    } else if (hold.moved) view.move(here[0] - before[0], here[1] - before[1]);
  }
  touches.set(event.pointerId, here);
  draw();
}

function release(event) {
  const was = hold;
  touches.delete(event.pointerId);
  if (touches.size) return;
  hold = null;
  if (event.pointerType !== "mouse") pointer = null;
  if (!was || was.pinch || event.type === "pointercancel") return draw();
  if (was.moved && was.name) {
    put(was.name, answer(was.name).click_px);
    return;
  }
  if (was.moved) return;
  const place = view.picture(event.clientX, event.clientY);
  const name = asked();
  const inside = place.every((value, k) => value >= -0.5 && value <= view.size[k] - 0.5);
  // Ticks of the scale lie close together: beside a mark a click sets the next one, on it a click chooses it.
  if (was.name && (was.far < CHOOSE || !name)) {
    last = was.name;
    show();
  } else if (name && inside) put(name, place);
}

function nudge(dx, dy, step) {
  const one = last && answer(last);
  if (!one?.click_px) return complain(new Error("Set a mark first, then move it."));
  return put(last, [one.click_px[0] + dx * step, one.click_px[1] + dy * step]);
}

/** Take over the mark that is asked for where the picture shows it. */
function confirm() {
  const expected = fit?.predictions?.find((one) => one.name === asked());
  if (expected?.found_px) put(expected.name, expected.found_px, true);
  else complain(new Error(`${asked() ? `The picture does not show ${asked()} clearly enough to take it over` : "No mark is asked for"}: click it.`));
}

async function takeAll() {
  say("Taking what fits…");
  await change({ do: "take_all" });
  say(`${state.answers.filter((one) => one.taken).length} marks taken from the picture.`);
}

function middle(factor) {
  const box = canvas.getBoundingClientRect();
  const [x, y] = pointer ? [0, 1].map((k) => view.canvasPlace(pointer)[k] / view.sharp + [box.left, box.top][k]) : [box.left + box.width / 2, box.top + box.height / 2];
  view.zoomAt(x, y, factor);
  draw();
}

const ARROWS = { arrowleft: [-1, 0], arrowright: [1, 0], arrowup: [0, -1], arrowdown: [0, 1] };

function onKey(event) {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches("input:not([type=range]), select, textarea")) return;
  const key = event.key.toLowerCase();
  if (key in ARROWS && event.target === canvas) nudge(...ARROWS[key], event.shiftKey ? 2 : 0.25);
  else if (key === "s") at("skip").click();
  else if (key === "u") at("undo").click();
  else if (key === "t") at("take").click();
  else if (key === "+" || key === "=") middle(1.5);
  else if (key === "-") middle(1 / 1.5);
  else if (key === "0") at("whole").click();
  else if (key === "enter" && event.target === canvas) confirm();
  else if (key === "escape") {
    wish = null;
    show();
  } else return;
  event.preventDefault();
}

async function load(clip) {
  picture.src = `/still/${clip}`;
  try {
    await picture.decode();
  } catch {
    throw new Error("This recording cannot be shown; choose another one.");
  }
  view.size = [picture.naturalWidth, picture.naturalHeight];
  view.resize();
  view.whole();
  canvas.dataset.size = view.size.join("x");
  at("clip").value = clip;
}

async function begin() {
  state = await send("/api/marks");
  if (!state.chosen) {
    const clip = state.frame || (await send("/api/sharpest")).clip_id;
    await changed({ do: "frame", clip_id: clip });
  }
  await load(state.frame);
  show();
  await solve();
}

if (canvas) {
  canvas.addEventListener("pointerdown", press);
  canvas.addEventListener("pointermove", move);
  canvas.addEventListener("pointerup", release);
  canvas.addEventListener("pointercancel", release);
  canvas.addEventListener("pointerleave", () => (pointer = touches.size ? pointer : null));
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    view.zoomAt(event.clientX, event.clientY, Math.exp(-event.deltaY / (event.deltaMode ? 12 : 400)));
    draw();
  }, { passive: false });
  document.addEventListener("keydown", onKey);
  at("skip").addEventListener("click", () => asked() && change({ do: "skip", name: asked() }));
  at("undo").addEventListener("click", () => change({ do: "undo" }));
  at("printed").addEventListener("click", async () => {
    say("Looking for the printed markers…");
    await change({ do: "printed" });
  });
  at("take").addEventListener("click", takeAll);
  at("closer").addEventListener("click", () => middle(1.5));
  at("farther").addEventListener("click", () => middle(1 / 1.5));
  at("whole").addEventListener("click", () => {
    view.whole();
    draw();
  });
  for (const button of document.querySelectorAll("[data-nudge]")) {
    button.addEventListener("click", () => nudge(...button.dataset.nudge.split(",").map(Number), 0.25));
  }
  for (const id of ["bright", "contrast"]) at(id).addEventListener("input", draw);
  at("turn").addEventListener("click", () => {
    turns = ((turns ?? fit?.turns ?? 2) + 1) % 4;
    map();
  });
  at("clip").addEventListener("change", () => tried(async () => {
    await change({ do: "frame", clip_id: at("clip").value });
    await load(state.frame);
    show();
  }));
  at("anew").addEventListener("click", () => {
    if (confirmAnew()) change({ do: "anew" });
  });
  at("other").addEventListener("submit", (event) => {
    event.preventDefault();
    wish = at("other-name").value.trim() || null;
    show();
    canvas.focus();
  });
  at("done").addEventListener("click", () => tried(async () => {
    at("done").disabled = true;
    try {
      const done = await send("/api/marks/done", { method: "POST", body: { version: state.version } });
      say("The camera is known. Now measure the shots.");
      const box = at("verdict");
      box.className = "verdict measured";
      box.replaceChildren(...done.says.map((words) => Object.assign(document.createElement("p"), { textContent: words })));
      const link = Object.assign(document.createElement("a"), { href: "/", className: "button main", textContent: "To the shots" });
      box.append(link);
    } finally {
      at("done").disabled = false;
    }
  }));
  new ResizeObserver(() => {
    if (!picture.naturalWidth) return;
    view.resize();
    view.whole();
    draw();
  }).observe(canvas);
  await tried(begin);
}

/** Beginning anew keeps the marks of now in a file, but the person should mean it. */
function confirmAnew() {
  return window.confirm("Forget these marks and begin anew? They are kept in a file of the session.");
}
