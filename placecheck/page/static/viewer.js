// Pinch, wheel, buttons and keys zoom the picture in its pane; one finger moves it once it is larger.
document.documentElement.classList.add("scripted");
for (const viewer of document.querySelectorAll("[data-viewer]")) {
  const pane = viewer.querySelector(".pane"), img = pane.querySelector("img");
  let scale = 1, x = 0, y = 0, fingers = new Map(), gap = 0, tapped = 0;
  function show() {
    const w = img.offsetWidth, h = img.offsetHeight;
    x = Math.min(0, Math.max(x, w - w * scale));
    y = Math.min(0, Math.max(y, h - h * scale));
    img.style.transform = `translate(${x}px, ${y}px) scale(${scale})`;
    pane.classList.toggle("zoomed", scale > 1.01);
  }
  function zoom(by, at) {
    const box = pane.getBoundingClientRect();
    const left = box.left + img.offsetLeft - pane.offsetLeft, top = box.top + img.offsetTop - pane.offsetTop;
    const px = (at ? at[0] : box.left + box.width / 2) - left, py = (at ? at[1] : box.top + box.height / 2) - top;
    const next = Math.min(8, Math.max(1, scale * by));
    x = px - (px - x) * next / scale;
    y = py - (py - y) * next / scale;
    scale = next;
    show();
  }
  viewer.addEventListener("click", (e) => {
    const button = e.target.closest("[data-zoom]");
    if (button) zoom(button.dataset.zoom > 0 ? 1.6 : 1 / 1.6);
  });
  pane.addEventListener("wheel", (e) => { if (e.ctrlKey || scale > 1) { e.preventDefault(); zoom(Math.exp(-e.deltaY / 300), [e.clientX, e.clientY]); } }, { passive: false });
  pane.addEventListener("keydown", (e) => {
    const step = { ArrowLeft: [40, 0], ArrowRight: [-40, 0], ArrowUp: [0, 40], ArrowDown: [0, -40] }[e.key];
    if (e.key === "+" || e.key === "=") zoom(1.6);
    else if (e.key === "-") zoom(1 / 1.6);
    else if (e.key === "0") { scale = 1; x = y = 0; show(); }
    else if (step && scale > 1.01) { x += step[0]; y += step[1]; show(); }
    else return;
    e.preventDefault();
  });
  pane.addEventListener("touchmove", (e) => { if (e.touches.length > 1) e.preventDefault(); }, { passive: false });
  pane.addEventListener("pointerdown", (e) => {
    fingers.set(e.pointerId, [e.clientX, e.clientY]);
    if (scale > 1.01 || fingers.size > 1) pane.setPointerCapture(e.pointerId);
    gap = 0;
    const now = performance.now();
    if (fingers.size === 1) { if (now - tapped < 300) { scale > 1.5 ? zoom(0.01) : zoom(2.5, [e.clientX, e.clientY]); tapped = 0; } else tapped = now; }
  });
  pane.addEventListener("pointermove", (e) => {
    const was = fingers.get(e.pointerId);
    if (!was) return;
    fingers.set(e.pointerId, [e.clientX, e.clientY]);
    if (fingers.size === 2) {
      const [a, b] = [...fingers.values()], far = Math.hypot(a[0] - b[0], a[1] - b[1]);
      if (gap) zoom(far / gap, [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2]);
      gap = far;
    } else if (scale > 1.01) { x += e.clientX - was[0]; y += e.clientY - was[1]; show(); }
  });
  for (const end of ["pointerup", "pointercancel", "lostpointercapture"]) pane.addEventListener(end, (e) => { fingers.delete(e.pointerId); gap = 0; });
}
