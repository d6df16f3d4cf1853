// The screen stays on while a round or a sweep runs, for no key is touched then. Browsers grant that to a page of this
// machine, not over a network without encryption.
const running = new Set();
let lock = null, asking = false;

async function hold() {
  if (!running.size || lock || asking || document.hidden || !navigator.wakeLock) return;
  asking = true;
  try {
    lock = await navigator.wakeLock.request("screen");
    lock.addEventListener("release", () => { lock = null; });
  } catch { /* refused, as on a low battery: the screen does what it does for every page */ }
  asking = false;
  if (!running.size) lock?.release();
}
export function awake(what, is) {
  running[is ? "add" : "delete"](what);
  if (is) hold(); else if (!running.size) lock?.release();
}
export const isAwake = () => running.size > 0;
document.addEventListener("visibilitychange", hold); // a browser takes it back while the tab is hidden
