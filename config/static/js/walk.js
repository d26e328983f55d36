// The walk page: one place at a time, notes into the phone's store, and the farm when it answers.
import * as places from "./walk-places.js";
import { multiply, press, showNext } from "./walk-thumb.js";
import * as store from "./walk-store.js";
import * as voice from "./walk-voice.js";

const root = document.documentElement;
root.classList.add("has-scripts");
const $ = (query, from = document) => from.querySelector(query);
const { link, onward, order, pages, troughOf } = places;
const start = $("#start");
const place = $("#place");
// The note that was read back last, and how the page stood before it.
let last = null;
let before = null;
let current = "";

const FULL =
  "NOT stored, this phone has no room left. Delete pictures or films on it, then tap again; write it down until then.";

/* ---- what the page says ---- */

function readBack(words, id, { mayGo = true } = {}) {
  const bar = $("#read-back");
  $("p", bar).textContent = words;
  $("button", bar).hidden = !mayGo;
  last = id;
  bar.hidden = false;
}

async function tellWaiting() {
  const rows = await store.waiting();
  const words =
    rows.length === 0
      ? "All notes are in"
      : `${rows.length} ${rows.length === 1 ? "note" : "notes"} waiting`;
  $("#waiting").textContent = words;
  $("#walk-strip").hidden = false;
}

function tellReach() {
  const mayKeep = window.isSecureContext && "serviceWorker" in navigator;
  if (mayKeep) {
    $("#reach").textContent = "Notes are kept without signal.";
    navigator.serviceWorker
      .register("/walk-worker.js")
      .then(() => navigator.serviceWorker.ready)
      .then(() => {
        $("#reach").textContent = "This page opens anew without signal.";
      })
      .catch(() => {
        $("#reach").textContent =
          "Notes are kept without signal. Leave this page open: opening it anew needs signal.";
      });
    return;
  }
  $("#reach").textContent =
    "Notes are kept without signal. Leave this page open: this address is not https, so opening it anew needs signal.";
}

const say = {
  stored(row) {
    if (row.note.kind === "move") places.carry(row.note);
    if (row.client_id !== last || !row.answer?.sentence) return;
    // The farm says what it did. Of a note that is all photo or voice it knows nothing yet.
    const isSilent = row.beside && row.answer.sentence.endsWith("looked, all well.");
    $("#read-back p").textContent = [isSilent ? row.said : row.answer.sentence, row.lost]
      .filter(Boolean)
      .join(" ");
  },
  aside(row) {
    box(row, `${row.answer.sentence}`, []);
  },
  refused(words) {
    box({ client_id: "farm" }, words, []);
  },
  clock(words) {
    box({ client_id: "clock" }, words, []);
  },
  question(row) {
    const words = `${row.note.place}: ${row.answer.sentence}`;
    if (row.state === "asked") {
      box(row, words, [
        ["Yes, store it", () => sendSure(row)],
        ["No, leave it out", () => leaveOut(row)],
      ]);
    } else {
      box(row, words, [["Leave this note out", () => leaveOut(row)]]);
    }
  },
};

function box(row, words, choices) {
  const id = `about-${row.client_id}`;
  document.getElementById(id)?.remove();
  const whole = document.createElement("div");
  whole.className = "question";
  whole.id = id;
  whole.setAttribute("role", "alert");
  const text = document.createElement("p");
  text.textContent = words;
  whole.append(text);
  const row_of = document.createElement("div");
  row_of.className = "steps";
  for (const [name, act] of choices.length ? choices : [["Read it", () => {}]]) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = name;
    button.addEventListener("click", async () => {
      whole.remove();
      await act();
      await tellWaiting();
    });
    row_of.append(button);
  }
  whole.append(row_of);
  $("#questions").append(whole);
}

async function sendSure(row) {
  row.note.sure = true;
  row.state = "waiting";
  await store.put(row);
  sync();
}

async function leaveOut(row) {
  // The phone keeps it for the record; the farm keeps what it asked about.
  row.state = "left out";
  await store.put(row);
}

/* ---- one place at a time ---- */

function show(code) {
  // A voice that was not stored yet goes with the place that it was spoken at, not with the next.
  const spoken = voice.unsaved(place);
  if (spoken) take(spoken, { stays: true });
  current = code;
  disarm();
  const tray = code && document.querySelector(`[data-tray="${code}"]`);
  if (pages.has(code)) showTrough(code);
  else if (code) showTray(code, tray);
  else {
    place.hidden = true;
    start.hidden = false;
  }
  window.scrollTo(0, 0);
}

function showTrough(code) {
  place.replaceChildren(pages.get(code).content.cloneNode(true), onward(code));
  voice.equip(place, arm);
  start.hidden = true;
  place.hidden = false;
}

function showTray(code) {
  const trough = troughOf(code);
  if (!trough) return show("");
  const facts = pages.get(trough).content.querySelector(`[data-tray="${code}"]`).dataset;
  const page = $("#tray-page").content.cloneNode(true);
  const words = {
    code,
    strain: facts.strain,
    name: facts.name,
    form: facts.form,
    state: facts.state,
    pieces: facts.pieces,
    positions: facts.positions,
    counted: facts.counted,
    cohort: facts.cohort,
    organ: facts.organ,
  };
  places.fill(page, words);
  if (facts.state !== "growing")
    for (const one of page.querySelectorAll('[data-only="growing"]')) one.remove();
  places.tellLook(page, code, facts.look);
  if (!facts.organ) for (const one of page.querySelectorAll('[data-only="polyps"]')) one.remove();
  if (!facts.cohort) for (const one of page.querySelectorAll('[data-only="cohort"]')) one.remove();
  const bar = document.createElement("nav");
  bar.className = "onward";
  bar.setAttribute("aria-label", "Onward");
  bar.append(link("next", trough, `back to ${trough}`));
  place.replaceChildren(page, bar);
  voice.equip(place, arm);
  start.hidden = true;
  place.hidden = false;
}

/* ---- a note ---- */

const factsOf = (form) =>
  Object.fromEntries(
    [...new FormData(form)].filter(([, value]) => typeof value === "string" && value !== ""),
  );

const chosenIn = (form) => (name) =>
  form.querySelector(`input[name="${name}"]:checked`)?.dataset ?? {};

function disarm() {
  for (const one of document.querySelectorAll(".armed")) one.classList.remove("armed");
}

function arm(form) {
  disarm();
  const reads = $(".reads", form);
  if (!reads) return;
  const facts = factsOf(form);
  const chosen = chosenIn(form);
  const words = {
    ...facts,
    would: chosen("grade").would,
    noted: noted(form, facts),
    what: chosen("kind").name,
    scope: chosen("scope").words,
    shade: facts.shade && (facts.shade === "0" ? "off" : `${Math.round(facts.shade * 100)} %`),
  };
  reads.textContent = reads.dataset.reads
    .replace(/\{(\w+)\}/g, (all, name) => words[name] ?? "")
    .trim();
  if (facts.kind === "surge" && facts.stalled_min)
    reads.textContent =
      facts.stalled_min === "0"
        ? `${facts.place}: surge stands still, its clock starts. A hold acts unless it is noted running.`
        : `${facts.place}: surge stalled under 30 min, no hold.`;
  if (isBare(form, facts)) reads.textContent = form.dataset.lacks;
  nameTheAct(form, facts);
  offerWayOut(form);
  form.classList.add("armed");
}

// A surge that is noted without a hold must not be stored by a button that speaks of one.
function nameTheAct(form, facts) {
  const button = $(".confirm button[type=submit]", form);
  button.dataset.name ??= button.textContent;
  const isSurge = facts.kind === "surge" && facts.stalled_min;
  const acts = { 0: `Start the clock of ${facts.place}`, 10: `Store it at ${facts.place}, no hold` };
  button.textContent = (isSurge && acts[facts.stalled_min]) || button.dataset.name;
}

// A wrong tap is put down again: the bar that asks covers the way on, so it has a way out itself.
function offerWayOut(form) {
  const bar = $(".confirm", form);
  if ($(".not-this", bar)) return;
  const button = document.createElement("button");
  button.type = "button";
  button.className = "not-this";
  button.textContent = "Not this";
  button.addEventListener("click", () => {
    voice.forget(form);
    form.reset();
    disarm();
  });
  bar.insertBefore(button, $("button[type=submit]", bar));
}

// What a look says, part by part: only what was tapped or typed is read back.
function noted(form, facts) {
  const chosen = chosenIn(form);
  const parts = [
    facts.light && `light ${facts.light}`,
    facts.flow && `flow ${facts.flow}`,
    chosen("polyp").name,
    chosen("growth").name,
    facts.text && `“${facts.text}”`,
    form.querySelector('input[name="photo"]')?.files.length && "photo",
    voice.voiceWords(form),
  ];
  return parts.filter(Boolean).join(", ");
}

// A look that says nothing is no note: the form says what it lacks.
function isBare(form, facts) {
  const needs = form.dataset.needs?.split(" ") ?? [];
  const isThere = (name) =>
    facts[name] !== undefined ||
    (name === "photo" && form.querySelector('input[name="photo"]').files.length) ||
    (name === "voice" && voice.voiceWords(form));
  return needs.length > 0 && !needs.some(isThere);
}

function lacks(form, facts) {
  if (!isBare(form, facts)) return false;
  arm(form);
  return true;
}

// What was spoken into a form that was left raises no hold that nobody confirmed.
function asALook(note) {
  note.kind = "look";
  for (const name of ["scope", "stalled_min"]) delete note[name];
}

async function take(form, { stays = false } = {}) {
  const facts = factsOf(form);
  // One form is one note, however often a wet thumb comes down on it.
  if (form.dataset.taken || lacks(form, facts)) return;
  form.dataset.taken = "yes";
  const about = noted(form, facts);
  const was = current;
  const file = form.querySelector('input[name="photo"]')?.files[0];
  for (const name of ["csrfmiddlewaretoken", "next", "token", "rows", "columns", "loose"])
    delete facts[name];
  const note = { ...facts, client_id: store.newId(), looked_at: new Date().toISOString() };
  const isLeft = stays && form.matches(".flag");
  if (isLeft) asALook(note);
  const said = await voice.voiceOf(form);
  const words = isLeft
    ? `${note.place}: your voice is kept with a look. No hold was raised.`
    : $(".reads", form)?.textContent || $("button[type=submit]", form)?.textContent || note.place;
  const photo = file ? await store.shrink(file) : null;
  const lost = [
    file && !photo ? "The photo could not be read on this phone; the note goes without it." : "",
    said.lost ?? "",
  ]
    .join(" ")
    .trim();
  const files = { photo, voice: said.blob, voice_s: said.seconds };
  const told = { said: words, beside: Boolean(photo || said.blob), lost };
  try {
    await store.put({ client_id: note.client_id, note, state: "waiting", ...files, ...told });
  } catch {
    delete form.dataset.taken;
    return readBack(`${note.place}: ${FULL}`, null, { mayGo: false });
  }
  readBack(`${words} ${lost}`, note.client_id);
  before = places.standingOf(note);
  places.follow(note, about);
  await tellWaiting();
  // A quick thumb may have gone on while the note was written: leave it where it is.
  if (stays || current !== was) return sync();
  if (form.dataset.onward) {
    const at = order.indexOf(note.place);
    show(order[at + 1] ?? "");
  } else show(note.place);
  sync();
}

async function takeBack() {
  const row = last && (await store.get(last));
  if (!row || row.note.kind === "undo") return;
  const note = {
    kind: "undo",
    undoes: row.client_id,
    place: row.note.place,
    client_id: store.newId(),
    looked_at: new Date().toISOString(),
  };
  await store.put({ client_id: note.client_id, note, state: "waiting", photo: null });
  // The farm's own words follow: a hold, say, stands until the lead signs it off.
  readBack(`${row.note.place}: taken back.`, note.client_id, { mayGo: false });
  if (before?.place === row.note.place) {
    const touched = [before.place, places.troughFor(before)];
    places.putBack(before);
    if ([...touched, places.troughFor(before)].includes(current)) show(current);
  }
  before = null;
  await tellWaiting();
  sync();
}

/* ---- to the farm ---- */

let isSending = false;
let delay_ms = 3000;
let timer = null;

async function sync() {
  if (isSending) return;
  isSending = true;
  clearTimeout(timer);
  try {
    for (;;) {
      const { isDone, status } = await store.sendOnce(say);
      await tellWaiting();
      if (isDone) {
        delay_ms = 3000;
        break;
      }
      if (status !== 200) throw new Error(`answered ${status}`);
    }
  } catch {
    delay_ms = Math.min(delay_ms * 2, 60000);
  } finally {
    isSending = false;
    timer = setTimeout(sync, delay_ms);
  }
}

/* ---- the thumb ---- */

document.addEventListener("submit", (event) => {
  const form = event.target.closest("form.note");
  if (!form) return;
  event.preventDefault();
  take(form);
});
document.addEventListener("change", (event) => {
  const form = event.target.closest("form.note");
  if (!form) return;
  if (event.target.dataset.scope)
    form.querySelector(`input[name="scope"][value="${event.target.dataset.scope}"]`).checked = true;
  if (["rows", "columns", "loose"].includes(event.target.name)) multiply(form);
  arm(form);
  showNext(event.target);
});
document.addEventListener("click", (event) => {
  const step = event.target.closest(".step");
  if (step) {
    press(step);
    return arm(step.closest("form"));
  }
  const link = event.target.closest("a[data-go], a[data-tray]");
  if (!link) return;
  event.preventDefault();
  const code = link.dataset.tray ?? link.dataset.go;
  history.pushState({ code }, "", code ? `#${code}` : location.pathname);
  show(code);
});
$("#read-back button").addEventListener("click", takeBack);
addEventListener("popstate", () => show(location.hash.slice(1)));
addEventListener("online", sync);
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) sync();
});

/* ---- begin ---- */

async function begin() {
  try {
    await store.forgetOld();
    for (const state of ["asked", "refused"])
      for (const row of await store.inState(state)) say.question(row);
  } catch {
    $("#reach").textContent =
      "This browser keeps nothing between pages (a private window?). Notes need signal.";
    $("#walk-strip").hidden = false;
    return;
  }
  tellReach();
  await tellWaiting();
  const fromMark = location.pathname.match(/^\/(?:t|walk)\/([A-Z0-9.]+)\/$/i)?.[1]?.toUpperCase();
  show(fromMark ?? location.hash.slice(1));
  sync();
}
begin();
