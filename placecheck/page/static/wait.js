// Asks for the answer until it is there, then shows it. Tolerates a server that is away for a while.
document.documentElement.classList.add("scripted");
const where = document.querySelector("[data-wait]");
const said = where.querySelector("[role=status]") || where;
const count = where.querySelector(".left");
let known = "";
async function ask() {
  try {
    const reply = await fetch(`${where.dataset.wait}?known=${encodeURIComponent(known)}`, { headers: { Accept: "application/json" } });
    if (reply.status >= 400 && reply.status < 500) { location.reload(); return; } // thrown away meanwhile, say: the page tells
    if (!reply.ok) throw reply.status;
    const now = await reply.json();
    const moved = known && now.known !== known;
    known = now.known;
    if (now.state === "done" || (moved && where.hasAttribute("data-every"))) { location.reload(); return; }
    if (count) count.textContent = now.before;
    else if (now.before) said.textContent = `${now.before} photo${now.before > 1 ? "s" : ""} before yours.`;
    else said.textContent = now.state === "measuring" ? "Looking at your photo." : "Your photo is kept. A moment.";
    setTimeout(ask, 400);
  } catch {
    if (!count) said.textContent = "No connection to the computer just now. Your photo is kept there; this page goes on by itself.";
    setTimeout(ask, 2000);
  }
}
ask();
