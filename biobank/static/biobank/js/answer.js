// Yes and no by sound and vibration, told apart with gloves on and eyes elsewhere.
// Finds: the first [data-result] of the page ("ok", "beware" or "refused"), when it is loaded and after each scan.
// Sound waits for a key press (browsers ask for that); what is shown does not.

let sound = null;

// A yes is one short high tone, a beware two short middle ones, a no two long low ones.
const SAID = {
  ok: { buzz: 60, shape: "sine", loud: 0.3, tones: [[1320, 0, 0.09]] },
  beware: { buzz: [50, 60, 50], shape: "triangle", loud: 0.3, tones: [[740, 0, 0.08], [740, 0.14, 0.08]] },
  refused: { buzz: [180, 90, 320], shape: "square", loud: 0.12, tones: [[196, 0, 0.22], [165, 0.28, 0.34]] },
};

function answer() {
  const said = SAID[document.querySelector("main [data-result]")?.dataset.result];
  if (!said) return;
  if (navigator.userActivation?.hasBeenActive) navigator.vibrate?.(said.buzz);
  if (sound?.state !== "running") return;
  for (const [pitch, start, length] of said.tones) tone(said, pitch, sound.currentTime + start, length);
}

function tone({ shape, loud }, pitch, at, length) {
  const source = sound.createOscillator();
  const level = sound.createGain();
  source.type = shape;
  source.frequency.value = pitch;
  level.gain.setValueAtTime(loud, at);
  level.gain.exponentialRampToValueAtTime(0.001, at + length);
  source.connect(level).connect(sound.destination);
  source.start(at);
  source.stop(at + length);
}

function wake() {
  try {
    sound ??= new AudioContext();
    if (sound.state === "suspended") sound.resume();
  } catch {
    // No sound on this device: sight and vibration remain.
  }
}

addEventListener("keydown", wake);
addEventListener("pointerdown", wake);
document.addEventListener("page:shown", answer);
answer();
