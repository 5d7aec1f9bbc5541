// Work that takes a while: starting it, how far it is as the server tells, stopping it.
import { complain, say, send, tried } from "./talk.js";
import { reload } from "./shots.js";

const at = (id) => document.getElementById(id);
const WORDS = { measure: "Measuring", again: "Measuring all again", draw: "Drawing" };
let before = null;

function show(work) {
  for (const button of document.querySelectorAll("[data-work]")) button.disabled = work.running;
  at("stop").hidden = !work.running;
  at("progress").hidden = !work.running;
  if (work.running) {
    if (work.total) at("progress").value = work.done / work.total;
    else at("progress").removeAttribute("value");
    const words = work.together ? "Measuring them together" : WORDS[work.job];
    at("work-says").textContent = work.total
      ? `${words}: ${work.done} of ${work.total}${work.clip ? `, ${work.clip} done` : ""}`
      : `${words}: looking at the recordings…`;
  } else {
    at("work-says").textContent = work.version && !work.error ? "Done." : "";
    at("work-notes").replaceChildren(...work.notes.map((words) => Object.assign(document.createElement("li"), { textContent: words })));
  }
  if (work.error && before?.running) complain(new Error(work.error));
  // What shots say of each other is kept at the end, all at once.
  const news = before && ((work.done !== before.done && !work.together) || (before.running && !work.running));
  if (news && work.job !== "draw") refresh(work);
  if (before?.running && !work.running && !work.error) {
    say(work.job === "draw" ? "Drawn: the clips are in out/drawn/." : "Measured.");
  }
  before = work;
}

async function refresh(work) {
  if (document.getElementById("rows")) await tried(reload);
  else if (work.done || !work.running) location.reload();
}

if (at("work")) {
  // They are drawn disabled: a press before this would be lost.
  for (const button of document.querySelectorAll("[data-work]")) {
    button.disabled = false;
    button.addEventListener("click", () => tried(() => send("/api/work", { method: "POST", body: { job: button.dataset.work } })));
  }
  at("stop").addEventListener("click", () => tried(async () => {
    await send("/api/work/stop", { method: "POST" });
    at("work-says").textContent = "Stopping after the recordings that are being measured…";
  }));
  // A browser opens six connections to one place and no more: a window that nobody looks at gives its own back.
  let news = null;
  const listen = () => {
    if (document.hidden) {
      news?.close();
      news = null;
    } else if (!news) {
      news = new EventSource("/api/work/events");
      news.addEventListener("message", (event) => show(JSON.parse(event.data)));
    }
  };
  document.addEventListener("visibilitychange", listen);
  listen();
}
