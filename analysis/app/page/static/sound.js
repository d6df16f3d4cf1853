// Tones and speech. The order of speech: the browser's own voice, else the host's, else tones alone.
let context = null, speaking = null;
const wanted = document.getElementById("sound");
wanted.addEventListener("change", () => {
  if (wanted.checked) tone("prompt"); else { window.speechSynthesis?.cancel(); speaking?.stop(); }
});
const TONES = { // hertz, seconds, one after the other
  touched: [[330, .06]], taken: [[660, .09], [880, .16]], "off-band": [[440, .14], [294, .26]],
  lift: [[550, .07], [370, .09]], alarm: [[200, .25], [200, .25], [200, .25]], prompt: [[520, .05]],
};
function tone(kind) {
  if (context?.state !== "running" || !wanted.checked || !TONES[kind]) return; // what could not be heard is not kept for later
  let at = context.currentTime + .01;
  for (const [hertz, seconds] of TONES[kind]) {
    const source = context.createOscillator(), level = context.createGain();
    source.frequency.value = hertz;
    source.type = kind === "alarm" ? "square" : "sine";
    level.gain.setValueAtTime(0, at);
    level.gain.linearRampToValueAtTime(.25, at + .01);
    level.gain.setValueAtTime(.25, at + seconds - .02);
    level.gain.linearRampToValueAtTime(0, at + seconds);
    source.connect(level).connect(context.destination);
    source.start(at); source.stop(at + seconds);
    at += seconds + .04;
  }
}
async function say(words) {
  if (!context || !wanted.checked || !words) return;
  if (window.speechSynthesis && speechSynthesis.getVoices().length) {
    speechSynthesis.cancel();
    speechSynthesis.speak(Object.assign(new SpeechSynthesisUtterance(words), { lang: "en" }));
    return;
  }
  try {
    const answer = await fetch(`/say?text=${encodeURIComponent(words)}`);
    if (answer.status !== 200) return;
    const buffer = await context.decodeAudioData(await answer.arrayBuffer());
    speaking?.stop();
    speaking = context.createBufferSource();
    speaking.buffer = buffer;
    speaking.connect(context.destination);
    speaking.start();
  } catch { /* no voice on this machine: the tones and the page say it */ }
}
export const sound = {
  start() {
    if (context) { if (context.state !== "running") context.resume(); return; } // a phone takes the sound away when it is locked
    context = new AudioContext();
    context.resume().then(() => tone("prompt"));
  },
  isOn: () => context?.state === "running" && wanted.checked,
  play(cue) { if (cue.kind === "say") say(cue.text); else { tone(cue.kind); if (cue.text) say(cue.text); } },
};
