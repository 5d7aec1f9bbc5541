// One shot: its frames, stepped by keys, with what was measured drawn over them; and deciding about it.
import { decide } from "./decide.js";
import { complain, send, tried } from "./talk.js";

const at = (id) => document.getElementById(id);
const desk = at("shot");
const canvas = at("stage");
const pen = canvas.getContext("2d");
const base = `${desk.dataset.clip}/${desk.dataset.shot}`;
const frames = new Map();
let shot = null;
let now = 0;
let playing = null;
let wanted = 0;
let fine = 1; // how much finer lines are drawn, where the picture is enlarged
const INSET = 3; // how much the scale is enlarged

const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

/** Give a frame of the shot, decoded and ready to draw. */
function frame(number) {
  if (!frames.has(number)) {
    const picture = new Image();
    picture.src = `/frame/${base}/${number}`;
    frames.set(number, picture.decode().then(() => picture));
  }
  return frames.get(number);
}

async function show(number) {
  if (!shot || !shot.times_s.length) return;
  now = Math.min(Math.max(number, 0), shot.times_s.length - 1);
  wanted = now;
  const mine = now;
  let picture;
  try {
    picture = await frame(mine);
  } catch {
    frames.delete(mine);
    return complain(new Error(`Frame ${mine + 1} cannot be decoded.`));
  }
  if (wanted !== mine) return; // another was asked for meanwhile
  at("waiting").hidden = true;
  if (canvas.width !== picture.naturalWidth || canvas.height !== picture.naturalHeight) {
    canvas.width = picture.naturalWidth;
    canvas.height = picture.naturalHeight;
  }
  fine = 1;
  pen.drawImage(picture, 0, 0);
  draw(shot.times_s[mine]);
  inset(picture, shot.times_s[mine]);
  at("slide").value = mine;
  const after = (shot.times_s[mine] - strike()) * 1000;
  at("when").textContent = `frame ${mine + 1} of ${shot.times_s.length}, ${after < 0 ? "−" : ""}${Math.abs(after).toFixed(0)} ms ${after < 0 ? "before" : "after"} the strike`;
  canvas.dataset.frame = mine;
}

const strike = () => (shot.path_times_s ? shot.path_times_s[0] : shot.times_s[0]);

/** Whether a frame is the one nearest to cushion contact, or a later one. */
const atRail = (time) => time > shot.path_times_s.at(-1) - (shot.times_s[1] - shot.times_s[0]) / 2;

function line(points, colour, width, dashes = []) {
  const seen = (points || []).filter(Boolean);
  if (seen.length < 2) return;
  const unit = (canvas.height / 1080) * fine;
  const thick = width * unit;
  pen.lineJoin = pen.lineCap = "round";
  for (const [style, extra] of [["rgba(20,20,20,.55)", 2.5], [colour, 0]]) {
    pen.setLineDash(extra ? [] : dashes.map((dash) => dash * unit));
    if (extra && dashes.length) continue;
    pen.strokeStyle = style;
    pen.lineWidth = thick + extra * unit;
    pen.beginPath();
    seen.forEach(([u, v], k) => (k ? pen.lineTo(u + 0.5, v + 0.5) : pen.moveTo(u + 0.5, v + 0.5)));
    pen.stroke();
  }
  pen.setLineDash([]);
}

function draw(time) {
  const on = (name) => document.querySelector(`[data-layer="${name}"]`).checked;
  const unit = (canvas.height / 1080) * fine;
  if (on("scale") && shot.lane) {
    line(shot.lane, "#dfe8ee", 1.4, [9, 9]);
    line(shot.ticks.map((tick) => tick.at), "#f4efe2", 2);
    pen.font = `${20 * unit}px system-ui, sans-serif`;
    pen.textAlign = "center";
    for (const tick of shot.ticks) {
      if (!tick.at) continue;
      pen.fillStyle = "#f4efe2";
      pen.fillRect(tick.at[0] - unit, tick.at[1] - 5 * unit, 2 * unit, 10 * unit);
      if (tick.number === null) continue;
      pen.strokeStyle = "#222";
      pen.lineWidth = 4 * unit;
      const words = String(Math.abs(tick.number));
      pen.strokeText(words, tick.at[0], tick.at[1] + 28 * unit);
      pen.fillText(words, tick.at[0], tick.at[1] + 28 * unit);
    }
  }
  if (on("launch") && shot.launch) {
    line(shot.launch, "#8fd0ff", 2.2, [14, 8]);
    line(shot.gap, "#ffd24a", 6);
  }
  if (on("path") && shot.path) {
    const rolled = shot.path.filter((_, k) => shot.path_times_s[k] <= time);
    line(shot.path, "rgba(255,140,80,.45)", 2);
    line(rolled, "#ff8c50", 4);
    if (atRail(time) && shot.reading) {
      line(shot.straight_on, "#ff8c50", 2.4, [6, 6]);
      line(shot.interval, "#ffffff", 8);
      const [u, v] = shot.reading;
      line([[u - 12 * unit, v - 12 * unit], [u + 12 * unit, v + 12 * unit]], "#ff8c50", 4);
      line([[u - 12 * unit, v + 12 * unit], [u + 12 * unit, v - 12 * unit]], "#ff8c50", 4);
    }
  }
  if (on("ball")) {
    const step = shot.times_s.length > 1 ? shot.times_s[1] - shot.times_s[0] : 1;
    const seen = shot.sightings.find((one) => Math.abs(one.time_s - time) < step / 3);
    const place = seen ? seen.at : time < strike() ? shot.rest : null;
    if (place) {
      const [u, v] = place;
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        line([[u + 4 * dx * unit, v + 4 * dy * unit], [u + 18 * dx * unit, v + 18 * dy * unit]], "#fff36b", 2.4);
      }
    }
  }
}

/** The reading on the scale, enlarged, in the corner where the ball does not run. */
function inset(picture, time) {
  if (!document.querySelector("[data-layer='inset']").checked || !shot.reading || !atRail(time)) return;
  const [width, height] = [0.42 * canvas.width, 0.3 * canvas.height];
  const [u, v] = shot.reading;
  const left = u > canvas.width / 2 ? 0 : canvas.width - width;
  const top = v > canvas.height / 2 ? 0 : canvas.height - height;
  // As much of the picture as is there: a scale at its edge stays at the edge.
  const middle = (at, part, all) => Math.min(Math.max(at, part / 2 / INSET), all - part / 2 / INSET);
  const [x, y] = [middle(u, width, canvas.width), middle(v, height, canvas.height)];
  pen.save();
  pen.beginPath();
  pen.rect(left, top, width, height);
  pen.clip();
  pen.translate(left + width / 2, top + height / 2);
  pen.scale(INSET, INSET);
  pen.translate(-x, -y);
  fine = 1 / INSET;
  pen.drawImage(picture, 0, 0);
  draw(time);
  fine = 1;
  pen.restore();
  pen.strokeStyle = "#f4efe2";
  pen.lineWidth = (3 * canvas.height) / 1080;
  pen.strokeRect(left, top, width, height);
}

function residuals() {
  const svg = document.querySelector("#residuals svg");
  if (!shot.sightings.length) {
    at("residuals").hidden = true;
    return;
  }
  const times = shot.sightings.map((one) => one.time_s - strike());
  const last = Math.max(...times);
  const largest = Math.max(0.3, ...shot.sightings.flatMap((one) => [Math.abs(one.along_px), Math.abs(one.across_px) + one.sd_px])) * 1.1;
  const x = (time) => 52 + (530 * time) / last;
  const y = (px) => 115 - (95 * px) / largest;
  const add = (name, values, words) => {
    const part = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(values)) part.setAttribute(key, value);
    if (words !== undefined) part.textContent = words;
    svg.append(part);
  };
  const tick = largest > 2 ? Math.ceil(largest / 2.5) : largest > 0.8 ? 0.5 : 0.2;
  for (let px = -Math.floor(largest / tick) * tick; px <= largest; px += tick) {
    add("line", { x1: 52, x2: 590, y1: y(px), y2: y(px), class: Math.abs(px) < 1e-9 ? "zero" : "grid" });
    add("text", { x: 46, y: y(px) + 5, class: "left" }, Math.abs(px) < 1e-9 ? "0" : px.toFixed(tick < 1 ? 1 : 0).replace("-", "−"));
  }
  for (let time = 0; time <= last; time += last > 1.2 ? 0.5 : 0.2) {
    add("text", { x: x(time), y: 236 }, `${time.toFixed(1)} s`);
  }
  for (const one of shot.sightings) {
    const time = one.time_s - strike();
    add("line", { x1: x(time), x2: x(time), y1: y(one.across_px - one.sd_px), y2: y(one.across_px + one.sd_px), class: "across" });
    add("circle", { cx: x(time), cy: y(one.along_px), r: 3, class: "along" });
    add("circle", { cx: x(time), cy: y(one.across_px), r: 4, class: "across" });
  }
  add("line", { x1: 0, x2: 0, y1: 12, y2: 218, class: "now", id: "residual-now" });
}

function play() {
  if (playing) {
    clearInterval(playing);
    playing = null;
    return;
  }
  if (now >= shot.times_s.length - 1) show(0);
  playing = setInterval(() => (now >= shot.times_s.length - 1 ? play() : show(now + 1)), 90);
}

/** The frame nearest to a time. */
function nearest(time) {
  let best = 0;
  shot.times_s.forEach((other, k) => {
    if (Math.abs(other - time) < Math.abs(shot.times_s[best] - time)) best = k;
  });
  return best;
}

async function act(kind) {
  const seen = { clip_id: desk.dataset.clip, shot: Number(desk.dataset.shot), stamp: Number(desk.dataset.stamp) };
  const about = document.querySelector("h1").textContent;
  const answer = await tried(() => decide(kind, [seen], { about, note: desk.dataset.note }));
  if (!answer) return;
  sessionStorage.setItem(base, now); // whoever decides is shown the frame that it was decided by
  location.reload();
}

const KEYS = { a: "accept", x: "set_aside", u: "take_back", n: "note", l: "label" };

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || document.querySelector("dialog[open]")) return;
  if (event.target.matches("input:not([type=checkbox]), select, textarea")) return;
  const key = event.key.toLowerCase();
  const by = event.shiftKey ? 5 : 1;
  if (key === "arrowright") show(now + by);
  else if (key === "arrowleft") show(now - by);
  else if (key === "home") show(0);
  else if (key === "end") show(Infinity);
  else if (key === " " && !event.target.matches("button, a, input")) play();
  else if (key === "j") at("following")?.click();
  else if (key === "k") at("previous")?.click();
  else if (key in KEYS && document.querySelector(`[data-do="${KEYS[key]}"]`)) act(KEYS[key]);
  else return;
  event.preventDefault();
});
for (const button of document.querySelectorAll("[data-do]")) button.addEventListener("click", () => act(button.dataset.do));
for (const button of document.querySelectorAll("[data-step]")) button.addEventListener("click", () => show(now + Number(button.dataset.step)));
for (const box of document.querySelectorAll("[data-layer]")) box.addEventListener("change", () => show(now));
at("slide").addEventListener("input", (event) => show(Number(event.target.value)));
at("play").addEventListener("click", play);
for (const button of document.querySelectorAll("[data-go]")) {
  button.addEventListener("click", () => {
    if (shot?.path_times_s) show(nearest(button.dataset.go === "strike" ? strike() : shot.path_times_s.at(-1)));
  });
}

await tried(async () => {
  shot = await send(`/api/shots/${base}`);
  at("slide").max = Math.max(shot.times_s.length - 1, 0);
  if (shot.says) {
    at("says").textContent = shot.says;
    at("says").hidden = false;
  }
  if (!shot.times_s.length) at("waiting").textContent = "There is nothing to see of this recording.";
  residuals();
  const left = sessionStorage.getItem(base);
  sessionStorage.removeItem(base);
  await show(left !== null ? Number(left) : shot.path_times_s ? nearest(shot.path_times_s.at(-1)) : 0);
  // The rest comes while the person looks at the first one, so that stepping never waits.
  for (let k = 0; k < Math.min(shot.times_s.length, 240); k++) await frame(k).catch(() => frames.delete(k));
  canvas.dataset.ready = "yes";
});
if (!shot) {
  at("waiting").textContent = "The frames cannot be shown.";
  at("residuals").hidden = true;
}
