// The camera as a scanner: QR, Data Matrix and Code 128, read on this device; no picture leaves it.
// [data-camera]       the block, shown when a script is there to serve it; data-library names the reader
// [data-camera-go]    starts and stops; the reader (vendor/) is loaded at the first press and not before
// [data-camera-said]  says in words what happens; [data-camera-view] holds the picture
// What was read is typed into the scan field and sent, as a hand scanner does. A code that stays in view is one scan.

const EVERY = 120; // ms between looks
const AGAIN = 1_500; // ms out of view, after which the same code is a new scan
const WIDEST = 1_280; // pixels; more only takes longer
const FORMATS = ["QR_CODE", "DATA_MATRIX", "CODE_128"];
const SAID = {
  insecure: "The camera works only over https, or on the machine that serves this page. Type the code, or use a hand scanner.",
  none: "This browser offers no camera. Type the code, or use a hand scanner.",
  asking: "The browser now asks whether this page may use the camera. Say yes to read labels; nothing is recorded or sent.",
  refused: "The camera was not allowed. Allow it for this site in the browser's settings, or type the code.",
  missing: "No camera was found, or another program uses it.",
  broken: "The reader could not be loaded. Type the code, or use a hand scanner.",
  looking: "Hold the label before the camera, a hand's width away, until it sounds.",
  off: "The camera is off.",
};

let running = null; // { stream, video, timer }
let decode = null;
let last = { text: "", at: 0 };
let said = "";

const block = () => document.querySelector("[data-camera]");

function tell(word) {
  said = SAID[word] ?? "";
  draw();
}

function draw() {
  const here = block();
  if (!here) return stop("off");
  here.hidden = false;
  const button = here.querySelector("[data-camera-go]");
  button.textContent = running ? "Stop the camera" : "Read with the camera";
  button.setAttribute("aria-pressed", String(Boolean(running)));
  const line = here.querySelector("[data-camera-said]");
  if (line.textContent !== said) line.textContent = said;
  const view = here.querySelector("[data-camera-view]");
  view.hidden = !running;
  if (!running) return view.replaceChildren();
  if (view.contains(running.video)) return;
  view.replaceChildren(running.video);
  running.video.play().catch(() => {}); // a picture that was moved to the new page stands still
}

async function start() {
  if (!isSecureContext) return tell("insecure");
  if (!navigator.mediaDevices?.getUserMedia) return tell("none");
  tell("asking");
  try {
    decode ??= await reader(block().dataset.library);
  } catch {
    return tell("broken");
  }
  try {
    const wanted = { facingMode: "environment", width: { ideal: WIDEST }, height: { ideal: 720 } };
    const stream = await navigator.mediaDevices.getUserMedia({ video: wanted, audio: false });
    show(stream);
  } catch (no) {
    tell(no.name === "NotAllowedError" || no.name === "SecurityError" ? "refused" : "missing");
  }
}

function show(stream) {
  const video = document.createElement("video");
  video.muted = true;
  video.playsInline = true;
  video.srcObject = stream;
  video.setAttribute("aria-label", "What the camera sees");
  running = { stream, video, timer: setInterval(look, EVERY) };
  stream.getVideoTracks()[0].addEventListener("ended", () => stop("missing"));
  tell("looking");
}

function stop(word) {
  if (!running) return;
  clearInterval(running.timer);
  for (const track of running.stream.getTracks()) track.stop();
  running = null;
  tell(word);
}

function reader(address) {
  return new Promise((done, failed) => {
    if (globalThis.ZXing) return done(made(globalThis.ZXing));
    const script = document.createElement("script");
    script.src = address;
    script.onload = () => (globalThis.ZXing ? done(made(globalThis.ZXing)) : failed(new Error("no reader")));
    script.onerror = () => failed(new Error("no reader"));
    document.head.append(script);
  });
}

// A function from a canvas to the text in it; "" when there is none.
function made(zxing) {
  const hints = new Map([
    [zxing.DecodeHintType.POSSIBLE_FORMATS, FORMATS.map((name) => zxing.BarcodeFormat[name])],
    [zxing.DecodeHintType.TRY_HARDER, true],
  ]);
  const one = new zxing.MultiFormatReader();
  one.setHints(hints);
  return (canvas) => {
    try {
      const light = new zxing.HTMLCanvasElementLuminanceSource(canvas);
      return one.decodeWithState(new zxing.BinaryBitmap(new zxing.HybridBinarizer(light))).getText();
    } catch {
      return "";
    }
  };
}

const canvas = document.createElement("canvas");

function look() {
  const video = running?.video;
  if (!video || document.hidden || video.readyState < 2 || !video.videoWidth) return;
  const scale = Math.min(1, WIDEST / video.videoWidth);
  canvas.width = Math.round(video.videoWidth * scale);
  canvas.height = Math.round(video.videoHeight * scale);
  canvas.getContext("2d", { willReadFrequently: true }).drawImage(video, 0, 0, canvas.width, canvas.height);
  const text = decode(canvas).trim();
  if (!text) return;
  const now = Date.now();
  const fresh = text !== last.text || now - last.at > AGAIN;
  last = { text, at: now };
  if (fresh) send(text);
}

// Into the field as a hand scanner does; what somebody is typing there is not overwritten.
function send(text) {
  const field = document.querySelector("main [data-scan] input:not([type=hidden])");
  if (!field || field.value) return;
  field.value = text;
  field.form.requestSubmit();
}

document.addEventListener("click", (event) => {
  if (!event.target.closest?.("[data-camera-go]")) return;
  if (running) stop("off");
  else start();
});
document.addEventListener("page:shown", draw);
document.addEventListener("visibilitychange", () => document.hidden && stop("off"));
draw();
