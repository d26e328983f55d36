// A note in the walker's own voice: the page's recorder where the browser lends the microphone (https
// or localhost), else the phone's own recorder through a file field. Nothing waits for a signal.

const KINDS = ["audio/webm;codecs=opus", "audio/mp4", "audio/ogg;codecs=opus"];
// Speech stays clear at this; a minute is a quarter of a megabyte. Common practice, no source.
const BITS_PER_S = 32000;

const limits = document.querySelector("#place").dataset;
export const MOST_S = Number(limits.voiceMostS);
const MOST_BYTES = Number(limits.voiceMostBytes);

const recordings = new WeakMap();
let running = null;

const isLent = () =>
  window.isSecureContext && Boolean(navigator.mediaDevices?.getUserMedia && window.MediaRecorder);

const clock = (seconds) => `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;

// Give each file field of a place its recorder, or the sentence why there is none.
export function equip(place, changed) {
  for (const part of place.querySelectorAll(".voice")) {
    const words = document.createElement("p");
    words.className = "small";
    part.append(words);
    if (!isLent()) {
      const why = window.isSecureContext
        ? "This browser cannot record."
        : "This address is not https, so the page gets no microphone.";
      words.textContent = `${why} The field above opens the phone's own recorder: ${MOST_S} s at most.`;
      continue;
    }
    words.setAttribute("role", "status");
    const button = document.createElement("button");
    button.type = "button";
    button.className = "speak";
    button.textContent = "Speak";
    part.querySelector("input").hidden = true;
    words.before(button);
    words.textContent = `At most ${MOST_S} s.`;
    button.addEventListener("click", () => press(part, button, words, changed));
  }
}

async function press(part, button, words, changed) {
  if (running?.part === part) return running.stop();
  await finishRunning();
  recordings.delete(part);
  part.querySelector("audio")?.remove();
  let stream;
  try {
    stream = await navigator.mediaDevices.getUserMedia({ audio: true });
  } catch {
    part.querySelector("input").hidden = false;
    button.hidden = true;
    words.textContent =
      "The phone does not lend this page its microphone. The field above opens the phone's own recorder, or allow the microphone in the browser's settings.";
    return;
  }
  begin(part, button, words, changed, stream);
}

function begin(part, button, words, changed, stream) {
  const kind = KINDS.find((one) => MediaRecorder.isTypeSupported(one));
  const recorder = new MediaRecorder(stream, { mimeType: kind, audioBitsPerSecond: BITS_PER_S });
  const chunks = [];
  const begun = performance.now();
  const seconds = () => Math.max(1, Math.round((performance.now() - begun) / 1000));
  const tick = setInterval(() => {
    button.textContent = `Stop, ${clock(seconds())} of ${clock(MOST_S)}`;
    if (seconds() >= MOST_S) running?.stop();
  }, 250);
  const ended = new Promise((resolve) => {
    recorder.addEventListener("dataavailable", (event) => chunks.push(event.data));
    recorder.addEventListener("stop", () => {
      clearInterval(tick);
      for (const track of stream.getTracks()) track.stop();
      running = null;
      const length = seconds();
      const blob = new Blob(chunks, { type: recorder.mimeType.split(";")[0] });
      if (blob.size) recordings.set(part, { blob, seconds: length });
      show(part, button, words, blob, length);
      resolve();
      changed(part.closest("form"));
    });
  });
  button.textContent = `Stop, 0:00 of ${clock(MOST_S)}`;
  button.classList.add("is-speaking");
  words.textContent = "The microphone is on.";
  // A call that comes in ends the track: what was said until then is kept.
  recorder.start(1000);
  running = {
    part,
    ended,
    stop() {
      if (recorder.state !== "inactive") recorder.stop();
    },
  };
  changed(part.closest("form"));
}

function show(part, button, words, blob, length) {
  button.classList.remove("is-speaking");
  button.textContent = blob.size ? "Speak again" : "Speak";
  words.textContent = blob.size ? `${length} s recorded.` : "Nothing was heard. Speak again.";
  if (!blob.size) return;
  const player = document.createElement("audio");
  player.controls = true;
  player.src = URL.createObjectURL(blob);
  words.before(player);
}

export const isSpeaking = (form) => running !== null && running.part.closest("form") === form;

// The form of a recording that is still running or was not stored yet, if a place has one.
export function unsaved(place) {
  for (const part of place.querySelectorAll(".voice"))
    if (running?.part === part || recordings.has(part)) return part.closest("form");
  return null;
}

// Put down what was said: it is not wanted.
export async function forget(form) {
  if (isSpeaking(form)) await finishRunning();
  const part = form.querySelector(".voice");
  if (!part) return;
  recordings.delete(part);
  part.querySelector("audio")?.remove();
  const button = part.querySelector(".speak");
  if (button) {
    button.textContent = "Speak";
    part.querySelector("p").textContent = `At most ${MOST_S} s.`;
  }
  form.classList.remove("armed");
}

export async function finishRunning() {
  const one = running;
  if (!one) return;
  one.stop();
  await one.ended;
}

// What a form has to say: {blob, seconds, lost}; a file from the phone's recorder is copied, since
// the phone may tidy it away before there is a signal.
export async function voiceOf(form) {
  const wasSpeaking = isSpeaking(form);
  if (wasSpeaking) await finishRunning();
  const part = form.querySelector(".voice");
  if (!part) return { blob: null };
  const said = recordings.get(part);
  recordings.delete(part);
  if (said) return said;
  if (wasSpeaking) return { blob: null, lost: "Nothing was heard; the note goes without a voice." };
  const file = part.querySelector("input").files[0];
  if (!file) return { blob: null };
  if (file.size > MOST_BYTES)
    return {
      blob: null,
      lost: `The recording is larger than ${Math.floor(MOST_BYTES / 1048576)} MB; the note goes without it. Speak for ${MOST_S} s at most.`,
    };
  try {
    return { blob: new Blob([await file.arrayBuffer()], { type: file.type }), seconds: null };
  } catch {
    return {
      blob: null,
      lost: "The recording could not be read on this phone; the note goes without it.",
    };
  }
}

export function voiceWords(form) {
  const part = form.querySelector(".voice");
  if (!part) return "";
  if (isSpeaking(form)) return "voice, still speaking";
  if (recordings.has(part)) return `voice, ${recordings.get(part).seconds} s`;
  return part.querySelector("input").files.length ? "voice" : "";
}
