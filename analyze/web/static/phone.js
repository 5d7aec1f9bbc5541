// Sending recordings in pieces: a break of the connection costs one piece, and the same file goes on where it was.
import { Sha256 } from "./sha256.js";
import { complain, say, send } from "./talk.js";

const PIECE = 1024 * 1024;
const at = (id) => document.getElementById(id);
const rest = (ms) => new Promise((done) => setTimeout(done, ms));

async function piece(id, from, body) {
  const answer = await fetch(`/api/phone/uploads/${id}?at=${from}`, { method: "PUT", body });
  const said = await answer.json();
  if (answer.ok || answer.status === 409) return said.have;
  throw Object.assign(new Error(said.error), { final: true });
}

/** Send one file; goes on by itself when the connection comes back. */
async function upload(file, labels, show) {
  const begun = await send("/api/phone/uploads", { method: "POST", body: { name: file.name, size_bytes: file.size, ...labels } });
  let have = begun.have;
  let waits = 0;
  while (have < file.size) {
    show(`${file.name}: ${Math.floor((100 * have) / file.size)} %`);
    try {
      have = await piece(begun.id, have, file.slice(have, have + PIECE));
      waits = 0;
    } catch (error) {
      if (error.final || waits > 60) throw error;
      show(`${file.name}: the connection broke; trying again…`);
      await rest(Math.min(1000 * 2 ** waits++, 10000));
    }
  }
  show(`${file.name}: checking…`);
  const hash = new Sha256();
  for (let from = 0; from < file.size; from += PIECE) {
    hash.update(new Uint8Array(await file.slice(from, from + PIECE).arrayBuffer()));
  }
  return send(`/api/phone/uploads/${begun.id}/end`, { method: "POST", body: { sha256: hash.hex() } });
}

async function look() {
  const now = await send("/api/phone/now").catch(() => null);
  if (!now) return;
  if (at("next")) {
    at("next").textContent = now.next ? `${now.next.order}: ${now.next.condition}, ${now.next.shooter}` : "at its end";
    at("by-order").disabled = !now.next;
    if (!now.next) at("by-order").checked = false;
  }
  at("whose").hidden = Boolean(at("by-order")?.checked);
  if (!now.last) return;
  const lines = now.last.shots.flatMap((shot) => [
    ["reading", `${shot.reading} ${shot.interval}`],
    ["soft", [shot.state, shot.why].filter(Boolean).join(": ")],
  ]);
  if (!lines.length) lines.push(["soft", now.error || now.working || "It is here; it is measured as soon as the camera is known."]);
  at("last").replaceChildren(
    ...[["soft", now.last.clip], ...lines].map(([kind, words]) => Object.assign(document.createElement("p"), { className: kind, textContent: words })),
  );
}

at("send").addEventListener("submit", async (event) => {
  event.preventDefault();
  const files = [...at("files").files];
  if (!files.length) return complain(new Error("Choose a recording first."));
  at("go").disabled = true;
  for (const file of files) {
    const line = document.createElement("li");
    at("sent").prepend(line);
    const byOrder = Boolean(at("by-order")?.checked);
    const labels = byOrder ? { by_order: true } : { condition: at("condition").value, shooter: at("shooter").value };
    try {
      const done = await upload(file, labels, (words) => (line.textContent = words));
      line.textContent = `${file.name}: sent, as ${done.clip}`;
      say(`${file.name} is in the session.`);
    } catch (error) {
      line.textContent = `${file.name}: not sent. ${error.message}`;
      complain(error);
    }
    await look();
  }
  at("files").value = "";
  at("go").disabled = false;
});
at("by-order")?.addEventListener("change", look);
setInterval(look, 3000);
await look();
