// The set-up: what is filled in lights up in the drawing; nothing is written before the person says so.
import { say, send, tried } from "./talk.js";

const at = (id) => document.getElementById(id);
const number = (id) => (at(id).value.trim() === "" ? null : Number(at(id).value));
const rows = () => [...at("conditions").querySelectorAll("tbody tr")];

function light(event) {
  const parts = event.target.closest("[data-shows]")?.dataset.shows.split(" ") || [];
  for (const part of document.querySelectorAll("[data-part]")) part.classList.toggle("lit", parts.includes(part.dataset.part));
}

const sized = () => (at("custom").hidden = at("size").value !== "custom");

function more() {
  const fresh = rows().at(-1).cloneNode(true);
  fresh.querySelector("input").value = "";
  fresh.querySelector("select").value = "test";
  at("conditions").querySelector("tbody").append(fresh);
  fresh.querySelector("input").focus();
}

function filled() {
  const numbers = ["width_mm", "length_mm", "rail_top_mm", "sight_setback_mm", "diameter_mm", "mass_g", "spot_mm", "setback_mm", "capture_fps", "readout_ms"];
  return {
    name: at("name").value.trim(),
    units: at("units").value,
    size: at("size").value,
    sight: Number(at("sight").value),
    unit: at("unit").value,
    ...Object.fromEntries(numbers.map((id) => [id, number(id)])),
    conditions: rows()
      .map((row) => {
        const [name, offset] = row.querySelectorAll("input");
        return { name: name.value.trim(), role: row.querySelector("select").value, tip_offset_mm: Number(offset.value || 0) };
      })
      .filter((one) => one.name),
  };
}

at("setup").addEventListener("focusin", light);
at("size").addEventListener("change", sized);
at("more").addEventListener("click", more);
at("conditions").addEventListener("click", (event) => {
  if (event.target.matches(".away") && rows().length > 1) event.target.closest("tr").remove();
});
at("setup").addEventListener("submit", (event) => {
  event.preventDefault();
  tried(async () => {
    const done = await send("/api/setup", { method: "POST", body: { ...filled(), seen: at("setup").dataset.seen } });
    at("setup").dataset.seen = done.seen;
    if (done.new) location.href = "/";
    else say("The set-up is kept. What was measured with another one is measured again with this.");
  });
});
sized();
