// Deciding about shots: the questions that go with a decision, and sending it.
import { asked, say, send } from "./talk.js";

const WORDS = {
  accept: "accepted",
  set_aside: "set aside",
  take_back: "as if nobody had decided",
  note: "noted",
  label: "labels mended",
};
const TITLES = { set_aside: "Set aside, because…", note: "Note", label: "Mend the label" };

const at = (id) => document.getElementById(id);

/** Ask what a decision needs; returns the rest of the request, or null when the person leaves it. */
async function details(kind, about, before) {
  if (!(kind in TITLES)) return {};
  at("ask-title").textContent = TITLES[kind];
  at("ask-about").textContent = about;
  at("ask-text").hidden = kind === "label";
  at("ask-label").hidden = kind !== "label";
  at("ask-what").textContent = kind === "set_aside" ? "Reason" : "Note";
  at("ask-line").required = kind === "set_aside";
  at("ask-line").value = kind === "note" ? before : "";
  at("ask-condition").value = "";
  at("ask-shooter").value = "";
  if (!(await asked(at("ask")))) return null;
  if (kind === "label") {
    return { condition: at("ask-condition").value || null, shooter: at("ask-shooter").value.trim() || null };
  }
  return { text: at("ask-line").value };
}

/**
 * Decide about shots, given as {clip_id, shot, stamp}.
 * Resolves to the answer of the server, or undefined when the person leaves it.
 */
export async function decide(kind, shots, { about, note = "" }) {
  const more = await details(kind, about, note);
  if (more === null) return undefined;
  const answer = await send("/api/decisions", { method: "POST", body: { shots, kind, ...more } });
  say(`${about}: ${WORDS[kind]}.`);
  return answer;
}
