// Before a form leaves the page, whether the computer answers: else the browser's own error page would take its place.
const unsent = document.getElementById("unsent");
const KNOCK_MS = 5000; // a network that is gone refuses nothing, it is silent
let knocking = false;
document.addEventListener("submit", async (e) => {
  const form = e.target, pressed = e.submitter;
  if (e.defaultPrevented || form.method !== "post") return;
  e.preventDefault();
  if (knocking) return;
  knocking = true;
  unsent.hidden = true;
  const silent = new AbortController(), waits = setTimeout(() => silent.abort(), KNOCK_MS);
  try {
    await fetch("/static/sign.svg", { method: "HEAD", cache: "no-store", signal: silent.signal });
    const told = Object.assign(document.createElement("input"), { type: "hidden", name: pressed?.name ?? "", value: pressed?.value ?? "" });
    form.append(told); // without a name it is not sent
    form.submit(); // asks no listener, so it does not come here again
    told.remove(); // for whoever comes back and presses another
  } catch {
    const again = pressed ? `press “${pressed.textContent.trim()}”` : "send it";
    unsent.textContent = `The computer does not answer, and nothing is lost: leave this page open and ${again} again once it is on and in reach.`;
    unsent.hidden = false;
  }
  clearTimeout(waits);
  knocking = false;
});
