// The code of a scanned address stands behind the "#": fill it in and send it.
document.documentElement.classList.add("scripted");
function pair() {
  const code = location.hash.slice(1).replace(/[^A-Za-z0-9]/g, "");
  if (code.length !== 8) return;
  history.replaceState(null, "", "/pair");
  document.getElementById("code").value = `${code.slice(0, 4)}-${code.slice(4)}`;
  document.getElementById("pairing").requestSubmit();
}
addEventListener("hashchange", pair);
pair();
