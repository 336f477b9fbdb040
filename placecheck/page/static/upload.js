// Sends photos with progress; without it the form does the same with its own button. A photo that
// could not be sent is kept in this page and sent again when the network is back, or by a touch.
document.documentElement.classList.add("scripted");
const form = document.getElementById("sending");
const progress = form.querySelector(".progress"), bar = progress.querySelector("progress");
const said = progress.querySelector("[role=status]"), notice = form.querySelector(".notice[role=alert]");
const retry = form.querySelector(".retry"), take = form.querySelector(".take");
const each = form.hasAttribute("data-each");
const saved = form.elements.saved_block;
const AGAIN_MS = 3000; // a computer that was switched off comes back without the phone's network noticing
let left = [], sending = false, looking = 0, makerTyped = false;

const stage = form.elements.stage, order = form.elements.order, sizes = [...form.querySelectorAll("[name=closure]")];

function show() { // what the stage asks for, and in the summary what is asked
  const taped = form.querySelector(".taped"), other = form.elements.closure_other, front = form.elements.front;
  if (stage) for (const part of document.querySelectorAll("[data-stages]")) part.hidden = !part.dataset.stages.split(" ").includes(stage.value);
  if (taped) {
    if (saved) taped.hidden = saved.value !== ""; // a saved block needs no tape
    form.elements.block.required = "needed" in taped.dataset && !taped.closest("[hidden]");
  }
  if (!stage) return;
  for (const size of sizes) size.required = !size.closest("[hidden]") && !other.value.trim();
  const words = {
    stage: stage.selectedOptions[0].textContent.replace(/^./, (first) => first.toUpperCase()),
    closure: other.value || (sizes.find((size) => size.checked) || {}).value || "?",
    block: (saved && saved.value) || form.elements.block.value || "?",
    face: front.value && `, face at the ${front.value}`,
  };
  for (const part of form.querySelectorAll("[data-shows]")) part.textContent = words[part.dataset.shows];
}
show();
addEventListener("pageshow", (e) => {
  if (left.length) return; // gone back to while a photo waits here: it is sent as it was asked
  if (form.elements.front) form.elements.front.value = ""; // of one photo alone
  show();
  if (e.persisted) location.reload(); // as it was left, with all that was sent since missing
});
form.addEventListener("invalid", (e) => { // else nobody sees what is lacking
  for (let part = e.target.closest("details"); part; part = part.parentElement.closest("details")) part.open = true;
}, true);

function trouble(message) {
  sending = false;
  notice.textContent = message;
  notice.hidden = retry.hidden = false;
  progress.hidden = true;
  take.hidden = false;
}

function post(files, counted) {
  const most = Number(document.body.dataset.most); // of more the computer reads nothing, which looks like no connection
  if (files.some((file) => file.size > most)) return Promise.reject(`The file is larger than ${most / 1e6} MB: send the photo as the phone's camera saved it.`);
  const data = new FormData(form);
  data.delete("photo");
  for (const file of files) data.append("photo", file, file.name);
  if (counted) data.set("once", counted);
  const request = new XMLHttpRequest();
  request.open("POST", form.action);
  request.setRequestHeader("Accept", "application/json");
  request.timeout = 300000;
  return new Promise((done, failed) => {
    request.upload.onprogress = (e) => { if (e.lengthComputable) bar.value = shown(e.loaded / e.total); };
    request.onload = () => {
      let answer = {};
      try { answer = JSON.parse(request.responseText); } catch { /* a page, not an answer to this script */ }
      if (request.status < 300) done(answer.to || request.responseURL);
      else failed(answer.error || "The photo was refused. Load the page again and send it once more.");
    };
    request.onerror = request.ontimeout = () => failed("No connection to the computer. The photo is kept here: it is sent when the connection is back.");
    request.send(data);
  });
}

let total = 1, sent = 0;
function shown(part) { return 100 * (sent + part) / total; }

async function send() {
  if (sending || !left.length) return;
  sending = true;
  notice.hidden = retry.hidden = true;
  progress.hidden = false;
  take.hidden = true;
  const keep = left.slice();
  total = each ? keep.length : 1;
  sent = 0;
  try {
    let to = null;
    if (each) {
      const failures = [];
      for (const file of keep) {
        said.textContent = `Sending ${sent + 1} of ${total}`;
        try {
          to = await post([file], `${file.size}-${file.lastModified}`.slice(0, 40));
          left = left.filter((f) => f !== file);
        } catch (message) {
          if (String(message).startsWith("No connection")) throw message;
          failures.push(`${file.name}: ${message}`);
          left = left.filter((f) => f !== file);
        }
        sent += 1;
      }
      if (failures.length) throw failures.join(" ");
    } else {
      said.textContent = "Sending";
      to = await post(keep, form.dataset.once);
    }
    said.textContent = "Sent";
    left = [];
    location.assign(to);
  } catch (message) {
    trouble(String(message));
    retry.hidden = !left.length;
    if (String(message).startsWith("No connection")) look();
  }
}

function look() { // whether the computer is back, leaving the page as it is until then
  clearTimeout(looking);
  looking = setTimeout(() => fetch("/static/sign.svg", { method: "HEAD", cache: "no-store" }).then(send, look), AGAIN_MS);
}

form.addEventListener("click", (e) => {
  const other = e.target.closest("a[data-stage]");
  if (!other) return;
  e.preventDefault(); // chosen here, so that what was typed stays
  stage.value = other.dataset.stage;
  show();
  form.querySelector(".asked > summary").focus(); // it says so, and the button is gone
});
form.addEventListener("click", (e) => { if (e.target.type === "file" && !form.reportValidity()) e.preventDefault(); });
form.addEventListener("change", (e) => {
  if (e.target.type === "file" && e.target.files.length) {
    if (!form.reportValidity()) { e.target.value = ""; return; }
    left = [...e.target.files];
    e.target.value = "";
    send();
  }
  if (e.target === order) {
    const chosen = order.selectedOptions[0].dataset;
    stage.value = chosen.stage;
    history.replaceState(null, "", `/?order=${encodeURIComponent(order.value)}`); // Back leads to this order
    form.elements.front.value = ""; // of one photo alone
    form.elements.block.value = chosen.block; // what the order leaves open is asked for, never taken from another
    if (saved) saved.value = [...saved.options].some((block) => block.value === chosen.saved) ? chosen.saved : "";
    for (const size of sizes) size.checked = size.value === chosen.closure;
    form.elements.closure_other.value = sizes.some((size) => size.checked) ? "" : chosen.closure;
    if (!makerTyped) form.elements.maker.value = chosen.maker;
  }
  if (e.target.name === "closure") form.elements.closure_other.value = "";
  show();
});
form.addEventListener("input", (e) => { if (e.target.name === "maker") makerTyped = true; });
form.addEventListener("submit", (e) => { e.preventDefault(); send(); }); // Enter in a field sends nothing without a photo
retry.addEventListener("click", send);
addEventListener("beforeunload", (e) => { if (left.length) e.preventDefault(); }); // a photo that may be nowhere else
addEventListener("online", send);
const drop = form.querySelector(".drop");
if (drop) {
  addEventListener("dragover", (e) => { e.preventDefault(); drop.classList.add("over"); });
  addEventListener("dragleave", () => drop.classList.remove("over"));
  addEventListener("drop", (e) => {
    e.preventDefault();
    drop.classList.remove("over");
    // browsers that do not know HEIC give it no type
    left = [...e.dataTransfer.files].filter((f) => f.type.startsWith("image/") || /\.hei[cf]$/i.test(f.name));
    if (!left.length) {
      trouble("There is no photo in what was dropped: drop JPEG, PNG or HEIC files.");
      retry.hidden = true;
    } else if (form.reportValidity()) send();
  });
}
