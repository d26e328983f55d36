// The walk page: one place at a time, notes into the phone's store, and the farm when it answers.
import * as store from "./walk-store.js";

const root = document.documentElement;
root.classList.add("has-scripts");
const $ = (query, from = document) => from.querySelector(query);
const start = $("#start");
const place = $("#place");
const pages = new Map(
  [...document.querySelectorAll("template.trough-page")].map((one) => [one.dataset.code, one]),
);
const order = [...pages.keys()];
let last = null;
let current = "";

/* ---- what the page says ---- */

function readBack(words, id) {
  const bar = $("#read-back");
  $("p", bar).textContent = words;
  $("button", bar).hidden = !id;
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

function markLooked(code) {
  for (const one of document.querySelectorAll(`[data-looked="${code}"]`)) {
    one.textContent = "looked at just now";
    one.classList.add("is-looked");
  }
}

const say = {
  stored(row) {
    if (row.client_id === last && row.answer?.sentence)
      $("#read-back p").textContent = `${row.answer.sentence} ${row.lost ?? ""}`;
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

function troughOf(trayCode) {
  for (const [code, page] of pages)
    if (page.content.querySelector(`[data-tray="${trayCode}"]`)) return code;
  return "";
}

function showTrough(code) {
  place.replaceChildren(pages.get(code).content.cloneNode(true), onward(code));
  start.hidden = true;
  place.hidden = false;
}

function onward(code) {
  const at = order.indexOf(code);
  const bar = document.createElement("nav");
  bar.className = "onward";
  bar.setAttribute("aria-label", "Onward");
  bar.append(link("back", order[at - 1] ?? "", order[at - 1] ?? "start"));
  bar.append(
    link(
      "next",
      order[at + 1] ?? "",
      order[at + 1] ? `next trough ${order[at + 1]}` : "the walk is done",
    ),
  );
  return bar;
}

function link(kind, code, words) {
  const one = document.createElement("a");
  one.className = kind;
  one.href = code ? `#${code}` : "#";
  one.dataset.go = code;
  one.textContent = words;
  return one;
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
  };
  fill(page, words);
  if (facts.state !== "growing")
    for (const one of page.querySelectorAll('[data-only="growing"]')) one.remove();
  if (!facts.cohort) for (const one of page.querySelectorAll('[data-only="cohort"]')) one.remove();
  const bar = document.createElement("nav");
  bar.className = "onward";
  bar.setAttribute("aria-label", "Onward");
  bar.append(link("next", trough, `back to ${trough}`));
  place.replaceChildren(page, bar);
  start.hidden = true;
  place.hidden = false;
}

function fill(page, words) {
  const put = (text) => text.replace(/@(\w+)@/g, (all, name) => words[name] ?? all);
  const walker = document.createTreeWalker(page, NodeFilter.SHOW_ELEMENT | NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    if (node.nodeType === Node.TEXT_NODE) node.data = put(node.data);
    else for (const one of node.attributes) if (one.value.includes("@")) one.value = put(one.value);
  }
  for (const one of page.querySelectorAll("input[data-was]")) one.value = one.dataset.was;
}

/* ---- a note ---- */

const factsOf = (form) =>
  Object.fromEntries(
    [...new FormData(form)].filter(([, value]) => typeof value === "string" && value !== ""),
  );

function disarm() {
  for (const one of document.querySelectorAll(".armed")) one.classList.remove("armed");
}

function arm(form) {
  disarm();
  const reads = $(".reads", form);
  if (!reads) return;
  const facts = factsOf(form);
  const chosen = (name) => form.querySelector(`input[name="${name}"]:checked`)?.dataset ?? {};
  const words = {
    ...facts,
    would: chosen("grade").would,
    what: chosen("kind").name,
    scope: chosen("scope").words,
    shade: facts.shade && (facts.shade === "0" ? "off" : `${Math.round(facts.shade * 100)} %`),
  };
  reads.textContent = reads.dataset.reads
    .replace(/\{(\w+)\}/g, (all, name) => words[name] ?? "")
    .replace(/,? (light|flow) (?=[,.])/g, " ")
    .trim();
  if (facts.kind === "surge" && facts.stalled_min)
    reads.textContent = `${facts.place}: surge stalled under 30 min, no hold.`;
  form.classList.add("armed");
}

async function take(form) {
  const facts = factsOf(form);
  const was = current;
  const file = form.querySelector('input[type="file"]')?.files[0];
  for (const name of ["csrfmiddlewaretoken", "next", "token", "rows", "columns", "loose"])
    delete facts[name];
  const note = { ...facts, client_id: store.newId(), looked_at: new Date().toISOString() };
  const photo = file ? await store.shrink(file) : null;
  const words =
    $(".reads", form)?.textContent || $("button[type=submit]", form)?.textContent || note.place;
  const lost =
    file && !photo ? "The photo could not be read on this phone; the note goes without it." : "";
  await store.put({ client_id: note.client_id, note, state: "waiting", photo, lost });
  readBack(`${words} ${lost}`, note.client_id);
  follow(note);
  await tellWaiting();
  // A quick thumb may have gone on while the note was written: leave it where it is.
  if (current !== was) return sync();
  if (form.dataset.onward) {
    const at = order.indexOf(note.place);
    show(order[at + 1] ?? "");
  } else show(note.place);
  sync();
}

function follow(note) {
  const trough = pages.has(note.place) ? note.place : troughOf(note.place);
  if (trough) markLooked(trough);
  for (const page of pages.values())
    for (const one of page.content.querySelectorAll("[data-looked]")) {
      if (one.dataset.looked === trough) one.textContent = "looked at just now";
    }
  if (note.kind === "count" || note.kind === "dead") {
    const row = pages.get(trough)?.content.querySelector(`[data-tray="${note.place}"]`);
    if (row) {
      const now =
        note.kind === "count"
          ? Number(note.pieces)
          : Number(row.dataset.pieces) - Number(note.dead);
      row.dataset.pieces = now;
      $(".pieces", row).textContent = now;
      if (note.kind === "count") row.dataset.counted = "just now";
    }
  }
}

async function takeBack() {
  if (!last) return;
  const row = await store.get(last);
  if (!row) return;
  const note = {
    kind: "undo",
    undoes: row.client_id,
    place: row.note.place,
    client_id: store.newId(),
    looked_at: new Date().toISOString(),
  };
  await store.put({ client_id: note.client_id, note, state: "waiting", photo: null });
  readBack(`${row.note.place}: taken back.`, null);
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
  if (!form || event.target.type === "file") return;
  if (event.target.dataset.scope)
    form.querySelector(`input[name="scope"][value="${event.target.dataset.scope}"]`).checked = true;
  if (["rows", "columns", "loose"].includes(event.target.name)) multiply(form);
  arm(form);
});
document.addEventListener("click", (event) => {
  const step = event.target.closest(".step");
  if (step) return press(step);
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

function press(step) {
  const form = step.closest("form");
  const field = form.querySelector(`input[name="${step.dataset.of ?? "pieces"}"]`);
  if (step.dataset.digit !== undefined) {
    const isFresh = field.dataset.typed !== "yes";
    field.value =
      step.dataset.digit === "" ? "" : (isFresh ? "" : field.value) + step.dataset.digit;
    field.dataset.typed = step.dataset.digit === "" ? "" : "yes";
  } else {
    const most = field.max ? Number(field.max) : Infinity;
    field.value = Math.min(most, Math.max(0, Number(field.value || 0) + Number(step.dataset.step)));
  }
  if (["rows", "columns", "loose"].includes(field.name)) multiply(form);
  arm(form);
}

function multiply(form) {
  const number = (name) => Number(form.querySelector(`input[name="${name}"]`)?.value || 0);
  if (number("rows") && number("columns"))
    form.querySelector('input[name="pieces"]').value =
      number("rows") * number("columns") + number("loose");
}

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
