// Landmarks and lines that can be dragged, nudged by buttons and keys, and put back; the numbers follow. A point is
// taken hold of where the finger is and keeps its distance to it, and a magnifier in the corner away
// from the finger shows the place at four times the size.
document.documentElement.classList.add("scripted");
const stage = document.getElementById("stage"), img = stage.querySelector("img"), marks = stage.querySelector(".marks");
const loupe = stage.querySelector(".loupe"), pen = loupe.getContext("2d");
const given = JSON.parse(stage.dataset.points), points = given.points, lines = given.lines;
const chosenSays = document.getElementById("chosen"), trouble = document.getElementById("trouble");
const SVG = "http://www.w3.org/2000/svg";
let scale = 1, ox = 0, oy = 0, group = "points", chosen = points[0], held = null, fingers = new Map(), gap = 0, fitted = 1;
const short = (p) => p.label.replace("corner", "").replace("Fold at the ", "fold, ").trim();

// A line has handles at even steps along it; dragging them adds a displacement that runs straight between them.
for (const l of lines) {
  const far = [0];
  for (let i = 1; i < l.line.length; i++) far.push(far[i - 1] + Math.hypot(l.line[i][0] - l.line[i - 1][0], l.line[i][1] - l.line[i - 1][1]));
  l.t = far.map((d, i) => (far.at(-1) > 0 ? d / far.at(-1) : i / (far.length - 1)));
  const last = l.bends.length - 1;
  l.handles = l.bends.map((b, k) => {
    const at = k / last;
    let i = l.t.findIndex((t) => t >= at - 1e-9);
    if (i < 1) i = 1;
    const part = (at - l.t[i - 1]) / Math.max(1e-9, l.t[i] - l.t[i - 1]);
    const was = [0, 1].map((c) => l.line[i - 1][c] + part * (l.line[i][c] - l.line[i - 1][c]));
    return { name: l.name, label: `${l.label}, ${k + 1} of ${last + 1}`, was, x: was[0] + b[0], y: was[1] + b[1] };
  });
}
const left = history.state; // as it was left here, when the page was loaded again or gone back to, say without a connection
if (left) {
  for (const p of points) [p.x, p.y] = left.points[p.name] ?? p.was;
  for (const l of lines) l.handles.forEach((h, k) => { [h.x, h.y] = h.was.map((c, i) => c + (left.bends[l.name]?.[k][i] ?? 0)); });
}
function bent(l) {
  const last = l.handles.length - 1;
  return l.line.map((p, i) => {
    const k = Math.min(last - 1, Math.floor(l.t[i] * last)), f = l.t[i] * last - k, [a, b] = [l.handles[k], l.handles[k + 1]];
    return [p[0] + (1 - f) * (a.x - a.was[0]) + f * (b.x - b.was[0]), p[1] + (1 - f) * (a.y - a.was[1]) + f * (b.y - b.was[1])];
  });
}
function here() { return group === "points" ? points : lines.find((l) => l.name === group).handles; }
function all() { return [...points, ...lines.flatMap((l) => l.handles)]; }

function moved(p) { return Math.hypot(p.x - p.was[0], p.y - p.was[1]) > 0.05; }
function screen(p) { return [ox + (p.x + 0.5) * scale, oy + (p.y + 0.5) * scale]; }
function fit() {
  const box = stage.getBoundingClientRect();
  const xs = points.map((p) => p.x), ys = points.map((p) => p.y);
  const w = Math.max(...xs) - Math.min(...xs), h = Math.max(...ys) - Math.min(...ys);
  const room = 0.3 * Math.max(w, h, 40);
  scale = Math.min(box.width / (w + 2 * room), box.height / (h + 2 * room));
  fitted = Math.min(box.width / given.width, box.height / given.height);
  scale = Math.max(scale, fitted);
  ox = box.width / 2 - (Math.min(...xs) + w / 2) * scale;
  oy = box.height / 2 - (Math.min(...ys) + h / 2) * scale;
  show();
}
function zoom(by, at) {
  const box = stage.getBoundingClientRect(), px = at ? at[0] - box.left : box.width / 2, py = at ? at[1] - box.top : box.height / 2;
  const next = Math.min(12, Math.max(fitted, scale * by));
  ox = px - (px - ox) * next / scale;
  oy = py - (py - oy) * next / scale;
  scale = next;
  show();
}
function element(name, attributes, parent) {
  const e = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) e.setAttribute(key, value);
  parent.append(e);
  return e;
}
function show() {
  img.style.width = `${given.width}px`;
  img.style.transform = `translate(${ox}px, ${oy}px) scale(${scale})`;
  marks.replaceChildren();
  for (const l of lines) {
    if (group !== l.name && !l.handles.some(moved)) continue;
    const d = bent(l).map(([x, y], i) => `${i ? "L" : "M"}${ox + (x + 0.5) * scale} ${oy + (y + 0.5) * scale}`).join("");
    element("path", { class: "under", d }, marks);
    element("path", { class: "path", d }, marks);
  }
  for (const p of here()) {
    const [x, y] = screen(p);
    const g = element("g", { class: `${p === chosen ? "chosen " : ""}${p.guess && !moved(p) ? "guess" : ""}` }, marks);
    if (moved(p)) element("line", { class: "was", x1: ox + (p.was[0] + 0.5) * scale, y1: oy + (p.was[1] + 0.5) * scale, x2: x, y2: y }, g);
    element("circle", { class: "halo", cx: x, cy: y, r: 15 }, g);
    element("circle", { class: "ring", cx: x, cy: y, r: 15 }, g);
    element("circle", { class: "core", cx: x, cy: y, r: 2.5 }, g);
    if (p === chosen && group === "points") element("text", { x: x, y: y - 24, "text-anchor": "middle" }, g).textContent = short(p);
  }
  for (const button of document.querySelectorAll("[data-point]")) {
    const p = points.find((q) => q.name === button.dataset.point);
    button.setAttribute("aria-pressed", String(p === chosen));
    button.querySelector(".how").textContent = moved(p) ? "set by hand" : p.missing ? "not found" : p.guess ? "a guess" : "as found";
  }
}
for (const button of document.querySelectorAll("[data-group]")) {
  button.addEventListener("click", () => {
    group = button.dataset.group;
    for (const b of document.querySelectorAll("[data-group]")) b.setAttribute("aria-pressed", String(b === button));
    choose(here()[group === "points" ? 0 : 2]);
  });
}
function choose(p) { chosen = p; chosenSays.textContent = p.label; show(); }
function put(p, x, y) {
  p.x = Math.round(10 * Math.min(given.width - 1, Math.max(0, x))) / 10;
  p.y = Math.round(10 * Math.min(given.height - 1, Math.max(0, y))) / 10;
  show();
  keep();
  follow();
}
function magnify(at) {
  const box = stage.getBoundingClientRect(), size = 33 / Math.max(scale, 0.05), k = img.naturalWidth / given.width;
  loupe.classList.toggle("left", at[0] - box.left > box.width / 2);
  loupe.classList.toggle("right", at[0] - box.left <= box.width / 2);
  loupe.hidden = false;
  pen.fillRect(0, 0, 264, 264);
  pen.drawImage(img, (chosen.x + 0.5 - size / 2) * k, (chosen.y + 0.5 - size / 2) * k, size * k, size * k, 0, 0, 264, 264);
  for (const [width, colour] of [[5, "#000"], [2, "#fff"]]) {
    pen.lineWidth = width;
    pen.strokeStyle = colour;
    pen.beginPath();
    for (const [a, b, c, d] of [[132, 96, 132, 126], [132, 138, 132, 168], [96, 132, 126, 132], [138, 132, 168, 132]]) { pen.moveTo(a, b); pen.lineTo(c, d); }
    pen.stroke();
  }
}

// One question to the server at a time; the newest state is asked about next. While a point is dragged the numbers
// follow what was seen in the photo; once it rests the photo is looked at anew with it, as it will be when it is used.
const RESTS_MS = 700;
const KEPT_MS = 350; // not at every move: some browsers refuse more than a hundred of these in half a minute
let asking = false, again = false, resting = 0, keeping = 0;
function keep() { // in the page itself, whether or not the computer has answered yet
  clearTimeout(keeping);
  keeping = setTimeout(() => history.replaceState(toSend(), ""), KEPT_MS);
}
function toSend() {
  return {
    points: Object.fromEntries(points.filter(moved).map((p) => [p.name, [p.x, p.y]])),
    bends: Object.fromEntries(lines.filter((l) => l.handles.some(moved)).map((l) => [l.name, l.handles.map((h) => [h.x - h.was[0], h.y - h.was[1]])])),
  };
}
async function follow(rests = false) {
  clearTimeout(resting);
  if (asking) { again = true; return; }
  asking = true;
  do {
    rests = rests && !again;
    again = false;
    try {
      const reply = await fetch(stage.dataset.hands, {
        method: "POST",
        headers: { "Content-Type": "application/json", Accept: "application/json", "X-Form-Token": document.body.dataset.token },
        body: JSON.stringify({ ...toSend(), rests }),
      });
      const now = await reply.json();
      if (!reply.ok) throw now.error;
      trouble.hidden = true;
      fill(now);
    } catch (message) {
      trouble.textContent = typeof message === "string" ? message : "No connection to the computer: the numbers do not follow just now.";
      trouble.hidden = false;
    }
  } while (again);
  asking = false;
  if (!rests) rest();
}
function rest() { resting = setTimeout(() => (held ? rest() : follow(true)), RESTS_MS); }
function fill(now) {
  const says = document.getElementById("now");
  says.querySelector("dd").textContent = now.verdict;
  says.className = `tile now ${now.kind}`;
  for (const tile of document.querySelectorAll("[data-tile]")) {
    const row = now.rows[tile.dataset.tile];
    tile.className = `tile ${row.state}`;
    tile.querySelector("dd").textContent = row.number || "–";
    tile.querySelector(".give").textContent = row.give;
    tile.querySelector(".sign").textContent = row.sign;
  }
  document.getElementById("told").textContent = `The verdict is now: ${now.verdict}`;
  for (const li of document.querySelectorAll("[data-measure]")) {
    const row = now.rows[li.dataset.measure];
    if (!row) continue;
    li.className = row.state;
    li.querySelector(".state").textContent = `${row.sign} ${row.word}`;
    const strong = li.querySelector(".read strong"), svg = li.querySelector(".band");
    if (strong) strong.textContent = row.reads;
    if (svg && row.band) {
      svg.dataset.state = row.state;
      const u = svg.querySelector(".u"), value = svg.querySelector(".value");
      u.setAttribute("x1", row.band.low);
      u.setAttribute("x2", row.band.high);
      value.setAttribute("x1", row.band.value);
      value.setAttribute("x2", row.band.value);
      svg.querySelector(".right").classList.toggle("off", row.band.beyond !== 1);
      svg.querySelector(".left").classList.toggle("off", row.band.beyond !== -1);
    }
  }
  stage.dispatchEvent(new CustomEvent("followed"));
}

stage.addEventListener("pointerdown", (e) => {
  stage.setPointerCapture(e.pointerId);
  stage.focus({ preventScroll: true });
  fingers.set(e.pointerId, [e.clientX, e.clientY]);
  gap = 0;
  if (fingers.size > 1) { held = null; loupe.hidden = true; return; }
  const box = stage.getBoundingClientRect(), at = [e.clientX - box.left, e.clientY - box.top];
  const near = here().map((p) => [Math.hypot(screen(p)[0] - at[0], screen(p)[1] - at[1]), p]).sort((a, b) => a[0] - b[0])[0];
  if (near[0] < 34) {
    choose(near[1]);
    held = { dx: chosen.x - (at[0] - ox) / scale, dy: chosen.y - (at[1] - oy) / scale };
    magnify([e.clientX, e.clientY]);
  }
});
stage.addEventListener("pointermove", (e) => {
  const was = fingers.get(e.pointerId);
  if (!was) return;
  fingers.set(e.pointerId, [e.clientX, e.clientY]);
  const box = stage.getBoundingClientRect();
  if (fingers.size === 2) {
    const [a, b] = [...fingers.values()], far = Math.hypot(a[0] - b[0], a[1] - b[1]);
    if (gap) zoom(far / gap, [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2]);
    gap = far;
  } else if (held) {
    put(chosen, (e.clientX - box.left - ox) / scale + held.dx, (e.clientY - box.top - oy) / scale + held.dy);
    magnify([e.clientX, e.clientY]);
  } else { ox += e.clientX - was[0]; oy += e.clientY - was[1]; show(); }
});
for (const end of ["pointerup", "pointercancel"]) stage.addEventListener(end, (e) => { fingers.delete(e.pointerId); held = null; gap = 0; loupe.hidden = true; });
stage.addEventListener("wheel", (e) => { e.preventDefault(); zoom(Math.exp(-e.deltaY / 300), [e.clientX, e.clientY]); }, { passive: false });
stage.addEventListener("keydown", (e) => {
  const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key], far = e.shiftKey ? 10 : 1;
  if (step) put(chosen, chosen.x + far * step[0], chosen.y + far * step[1]);
  else if (e.key === "n" || e.key === "N") choose(here()[(here().indexOf(chosen) + 1) % here().length]);
  else if (e.key === "+" || e.key === "=") zoom(1.4);
  else if (e.key === "-") zoom(1 / 1.4);
  else return;
  e.preventDefault();
});
document.querySelector(".pad").addEventListener("click", (e) => {
  const button = e.target.closest("button");
  if (!button) return;
  if (button.dataset.group) return;
  if (button.dataset.zoom) { zoom(button.dataset.zoom > 0 ? 1.5 : 1 / 1.5); return; }
  const [dx, dy] = button.dataset.move.split(",").map(Number), far = Math.max(1, 1.5 / scale);
  put(chosen, chosen.x + far * dx, chosen.y + far * dy);
});
document.querySelector(".points").addEventListener("click", (e) => {
  const button = e.target.closest("[data-point]");
  if (!button) return;
  if (group !== "points") document.querySelector("[data-group=points]").click();
  choose(points.find((p) => p.name === button.dataset.point));
});
document.getElementById("back").addEventListener("click", () => {
  for (const p of all()) [p.x, p.y] = p.was;
  chosenSays.textContent = "All are back where they were.";
  show();
  keep();
  follow();
});
document.getElementById("using").addEventListener("submit", (e) => {
  history.replaceState(toSend(), "");
  e.target.elements.points.value = JSON.stringify(toSend());
});
new ResizeObserver(fit).observe(stage); // not at every "resize": the browser's own bars come and go while one scrolls
fit();  // the photo's size came with its points, so a handle never jumps when the picture arrives
choose(chosen);
if (left) follow();
