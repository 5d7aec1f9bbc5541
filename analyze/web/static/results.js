// The answer: asked for when the page opens, so that it always follows the decisions made.
import { send, tried } from "./talk.js";

const place = document.getElementById("answer");
if (place) {
  const made = await tried(() => send("/api/report", { method: "POST" }));
  place.setAttribute("aria-busy", "false");
  if (made) {
    place.innerHTML = made.html; // from our own templates, escaped there
    await import("./work.js");
  } else {
    place.textContent = "The answer cannot be worked out yet; what is missing is said below.";
  }
}
