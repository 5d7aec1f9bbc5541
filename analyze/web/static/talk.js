// Talking to the server and to the person: one place for requests, messages and questions.

/** Send a request; returns what came back, or throws an Error whose message is for the person. */
export async function send(address, { method = "GET", body, signal } = {}) {
  const options = { method, signal, headers: { Accept: "application/json" } };
  if (body !== undefined) {
    options.body = JSON.stringify(body);
    options.headers["Content-Type"] = "application/json";
  }
  let answer;
  try {
    answer = await fetch(address, options);
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Error("railread does not answer. Is it still running? Nothing was changed.");
  }
  const text = await answer.text();
  let value = text;
  try {
    value = JSON.parse(text);
  } catch {
    // A page or a sentence, not JSON.
  }
  if (!answer.ok) {
    const error = new Error(value.error || text || `The answer was ${answer.status}.`);
    error.status = answer.status;
    throw error;
  }
  return value;
}

let fade;

/** Say something that went well; it fades. */
export function say(sentence) {
  const place = document.getElementById("said");
  document.getElementById("wrong").textContent = "";
  place.textContent = sentence;
  clearTimeout(fade);
  fade = setTimeout(() => (place.textContent = ""), 6000);
}

/** Say what is wrong; it stays until something else is said. */
export function complain(error) {
  document.getElementById("said").textContent = "";
  const place = document.getElementById("wrong");
  place.textContent = error.message || String(error);
  const close = document.createElement("button");
  close.type = "button";
  close.textContent = "Close";
  close.addEventListener("click", () => (place.textContent = ""));
  place.append(" ", close);
}

/** Run something that may fail; whatever goes wrong is said. */
export async function tried(action) {
  try {
    return await action();
  } catch (error) {
    if (error.name !== "AbortError") complain(error);
    return undefined;
  }
}

/** Ask with the page's dialog; resolves to true when the person agrees. */
export function asked(dialog) {
  return new Promise((resolve) => {
    dialog.returnValue = "no";
    dialog.addEventListener("close", () => resolve(dialog.returnValue === "yes"), { once: true });
    dialog.showModal();
  });
}
