// Pairing: the code from the address, or typed.
import { send, tried } from "./talk.js";

const code = document.getElementById("code");
const pair = () => tried(async () => {
  const done = await send("/pair", { method: "POST", body: { code: code.value } });
  location.replace(done.to);
});
document.getElementById("pair").addEventListener("submit", (event) => {
  event.preventDefault();
  pair();
});
if (location.hash.length > 1) {
  code.value = decodeURIComponent(location.hash.slice(1));
  pair();
}
