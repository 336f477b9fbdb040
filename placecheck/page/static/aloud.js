// Reads the verdict and the next step aloud, for whoever has both hands at the block; a second press stops it.
const aloud = document.querySelector("[data-aloud]");
let uttered; // kept here: some browsers fall silent when an utterance is collected while it is read
if (aloud && "speechSynthesis" in window) {
  const reading = (is) => {
    aloud.setAttribute("aria-pressed", is);
    aloud.textContent = is ? "Stop reading" : "Read aloud";
  };
  aloud.hidden = false;
  aloud.addEventListener("click", () => {
    const stop = aloud.getAttribute("aria-pressed") === "true";
    speechSynthesis.cancel();
    reading(!stop);
    if (stop) return;
    uttered = new SpeechSynthesisUtterance(aloud.dataset.aloud);
    uttered.lang = "en";
    // the phone's own voice, not one that sends the words elsewhere
    uttered.voice = speechSynthesis.getVoices().find((voice) => voice.localService && voice.lang.startsWith("en")) ?? null;
    uttered.rate = 0.9;
    uttered.onend = uttered.onerror = () => reading(false);
    speechSynthesis.speak(uttered);
  });
  addEventListener("pagehide", () => speechSynthesis.cancel());
}
