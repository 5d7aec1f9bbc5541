// The list of shots: filters, choosing, keys, decisions about many at once.
import { decide } from "./decide.js";
import { complain, tried } from "./talk.js";

const body = document.getElementById("rows");
const at = (id) => document.getElementById(id);
const rows = () => [...body.querySelectorAll("tr")];
const shown = () => rows().filter((row) => !row.hidden);
const chosen = () => shown().filter((row) => row.querySelector("input").checked);
const FILTERS = ["look", "all", "measured", "failed", "aside"];
let filter = "all";
let here = null;

function belongs(row, name) {
  if (name === "all") return true;
  if (name === "look") return row.dataset.look === "yes";
  if (name === "measured") return row.dataset.state === "measured" || row.dataset.state === "doubtful";
  return row.dataset.state === name;
}

function refresh() {
  const words = at("find").value.trim().toLowerCase();
  for (const row of rows()) {
    row.hidden = !belongs(row, filter) || !(words === "" || row.textContent.toLowerCase().includes(words));
  }
  for (const button of document.querySelectorAll("#filters [data-filter]")) {
    button.setAttribute("aria-pressed", String(button.dataset.filter === filter));
    button.querySelector("b").textContent = rows().filter((row) => belongs(row, button.dataset.filter)).length;
  }
  at("none").hidden = shown().length > 0;
  if (!here || !here.isConnected || here.hidden) here = shown()[0] || null;
  for (const row of rows()) row.tabIndex = row === here ? 0 : -1;
  count();
}

function count() {
  const number = chosen().length;
  at("chosen").textContent = number ? `${number} shot${number > 1 ? "s" : ""} chosen` : "No shot chosen: about the one you are at";
  for (const row of rows()) row.classList.toggle("chosen", row.querySelector("input").checked);
}

function go(row) {
  if (!row) return;
  here = row;
  for (const other of rows()) other.tabIndex = other === row ? 0 : -1;
  row.focus();
  row.scrollIntoView({ block: "nearest" });
}

function step(by, choose) {
  const list = shown();
  const place = list.indexOf(here);
  const next = list[Math.min(Math.max(place + by, 0), list.length - 1)];
  if (choose && here) here.querySelector("input").checked = true;
  if (choose && next) next.querySelector("input").checked = true;
  go(next);
  count();
}

async function act(kind) {
  const picked = chosen().length ? chosen() : here ? [here] : [];
  if (!picked.length) return complain(new Error("Choose a shot first."));
  const place = shown().indexOf(here);
  const about = picked.length === 1 ? picked[0].querySelector(".open").textContent : `${picked.length} shots`;
  const shots = picked.map(({ dataset }) => ({
    clip_id: dataset.clip,
    shot: Number(dataset.shot),
    stamp: Number(dataset.stamp),
  }));
  const answer = await tried(() => decide(kind, shots, { about, note: picked[0].dataset.note }));
  if (!answer) return go(here);
  for (const [key, html] of Object.entries(answer)) replaceRow(key, html);
  refresh();
  go(here && !here.hidden ? here : shown()[Math.min(place, shown().length - 1)]);
}

function replaceRow(key, html) {
  const old = at(`row-${key}`);
  const fresh = document.createElement("tbody");
  fresh.innerHTML = html; // lines from our own server, escaped there
  const row = fresh.querySelector("tr");
  if (here === old) here = row;
  old.replaceWith(row);
}

/** Take over all lines anew, for results that came meanwhile. */
export async function reload() {
  const answer = await fetch("/rows");
  if (!answer.ok) return;
  const picked = new Set(chosen().map((row) => row.id));
  const key = here && here.id;
  body.innerHTML = await answer.text();
  for (const row of rows()) row.querySelector("input").checked = picked.has(row.id);
  here = key ? at(key) : null;
  refresh();
}

const KEYS = { a: "accept", x: "set_aside", u: "take_back", n: "note", l: "label" };

function onKey(event) {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.tagName === "INPUT") return;
  const key = event.key.toLowerCase();
  if (key === "arrowdown" || key === "j") step(1, event.shiftKey);
  else if (key === "arrowup" || key === "k") step(-1, event.shiftKey);
  else if (key === "home") go(shown()[0]);
  else if (key === "end") go(shown().at(-1));
  else if (key === " " && event.target.tagName !== "A") {
    here.querySelector("input").checked = !here.querySelector("input").checked;
    count();
  } else if (key === "enter" && event.target.tagName !== "A") here.querySelector("a.open").click();
  else if (key in KEYS) act(KEYS[key]);
  else if ("12345".includes(key)) show(FILTERS[Number(key) - 1]);
  else return;
  event.preventDefault();
}

function show(name) {
  filter = name;
  refresh();
  go(here);
}

if (body) {
  body.addEventListener("keydown", onKey);
  body.addEventListener("focusin", (event) => {
    const row = event.target.closest("tr");
    if (row) here = row;
  });
  body.addEventListener("change", count);
  at("all").addEventListener("change", (event) => {
    for (const row of shown()) row.querySelector("input").checked = event.target.checked;
    count();
  });
  at("find").addEventListener("input", refresh);
  for (const button of document.querySelectorAll("[data-filter]")) {
    button.addEventListener("click", () => {
      filter = button.dataset.filter;
      if (!button.closest("#filters")) at("find").value = "";
      refresh();
    });
  }
  for (const button of document.querySelectorAll("[data-do]")) {
    button.addEventListener("click", () => act(button.dataset.do));
  }
  at("keys-button").addEventListener("click", (event) => {
    const open = at("keys").hidden;
    at("keys").hidden = !open;
    event.currentTarget.setAttribute("aria-expanded", String(open));
  });
  refresh();
}
