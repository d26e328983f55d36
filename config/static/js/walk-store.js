// The phone's own store of notes, and their way to the farm. Nothing here waits for a signal.
//
// Each note lies in the browser's database until the farm has answered for it by name. What was
// answered with a yes stays some days more: should the farm be put back from a backup, the phone
// sends again what the backup does not know.

const NAME = "slackwater-walk";
const BATCH = 50;
const KEEP_MS = 14 * 24 * 3600 * 1000;

let opened = null;

function open() {
  opened ??= new Promise((resolve, reject) => {
    const asked = indexedDB.open(NAME, 1);
    asked.onupgradeneeded = () => {
      const notes = asked.result.createObjectStore("notes", { keyPath: "client_id" });
      notes.createIndex("state", "state");
      asked.result.createObjectStore("facts");
    };
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });
  return opened;
}

async function run(store, mode, act) {
  const base = await open();
  return new Promise((resolve, reject) => {
    // Strict: the note is on the disk before the thumb is told so.
    const turn = base.transaction(store, mode, { durability: "strict" });
    let asked;
    turn.oncomplete = () => resolve(asked?.result);
    turn.onerror = () => reject(turn.error);
    turn.onabort = () => reject(turn.error);
    asked = act(turn.objectStore(store));
  });
}

export const put = (row) => run("notes", "readwrite", (notes) => notes.put(row));
export const get = (id) => run("notes", "readonly", (notes) => notes.get(id));
export const drop = (id) => run("notes", "readwrite", (notes) => notes.delete(id));
export const inState = (state) =>
  run("notes", "readonly", (notes) => notes.index("state").getAll(state));
export const fact = (name) => run("facts", "readonly", (facts) => facts.get(name));
export const keepFact = (name, value) =>
  run("facts", "readwrite", (facts) => facts.put(value, name));

// crypto.randomUUID is there on https only; this is there on any address.
export function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return "w-" + [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

export async function waiting() {
  const rows = [...(await inState("waiting")), ...(await inState("photo"))];
  return rows.sort((one, other) => (one.note.looked_at < other.note.looked_at ? -1 : 1));
}

async function post(address, body, headers) {
  const answer = await fetch(address, {
    method: "POST",
    body,
    headers,
    credentials: "same-origin",
    redirect: "error",
  });
  let facts = {};
  try {
    facts = await answer.json();
  } catch {
    // A page in place of an answer: a proxy or a log-in stands between. The notes stay.
  }
  return { status: answer.status, facts };
}

const JSON_KIND = { "Content-Type": "application/json" };

export async function sendOnce(say) {
  const rows = (await waiting()).filter((row) => row.state === "waiting").slice(0, BATCH);
  if (!rows.length) return sendFiles(say);
  const body = JSON.stringify({
    phone_now: new Date().toISOString(),
    notes: rows.map((row) => row.note),
  });
  const { status, facts } = await post("/walk/notes/", body, JSON_KIND);
  if (!Array.isArray(facts.answers)) {
    if (facts.detail) say.refused(facts.detail);
    return { isDone: false, status };
  }
  for (const answer of facts.answers) await follow(rows, answer, say);
  if (facts.clock) say.clock(facts.clock);
  await compare(facts.notes_of_phone);
  return { isDone: (await waiting()).length === 0, status };
}

async function follow(rows, answer, say) {
  const row = rows.find((one) => one.client_id === answer.client_id);
  if (!row) return;
  const isIn = answer.outcome === "stored" || answer.outcome === "already have it";
  row.answer = answer;
  if (isIn || answer.outcome === "kept aside") {
    row.state = row.photo || row.voice ? "photo" : "stored";
    row.stored_at = Date.now();
    await keepFact("acknowledged", ((await fact("acknowledged")) ?? 0) + (row.counted ? 0 : 1));
    row.counted = true;
    await put(row);
    if (isIn) say.stored(row);
    else say.aside(row);
  } else {
    row.state = answer.outcome === "asked" ? "asked" : "refused";
    await put(row);
    say.question(row);
  }
}

// What follows a note that is in: its photo, then its voice, one file at a time. "photo" is the name
// of the state on phones that were paired before there were voices.
async function sendFiles(say) {
  const row = (await inState("photo"))[0];
  if (!row) return { isDone: true };
  const isPhoto = Boolean(row.photo);
  if (isPhoto || row.voice) {
    const { status, facts } = await post(...fileOf(row, isPhoto), {});
    if (status >= 500 || status === 401 || !(facts.outcome || facts.detail))
      return { isDone: false, status };
    const what = isPhoto ? "photo" : "voice note";
    if (facts.detail)
      say.refused(`${row.note.place}: the note is stored without its ${what}. ${facts.detail}`);
    row[isPhoto ? "photo" : "voice"] = null;
  }
  if (!row.photo && !row.voice) row.state = "stored";
  await put(row);
  return { isDone: (await waiting()).length === 0, status: 200 };
}

function fileOf(row, isPhoto) {
  const form = new FormData();
  form.append("client_id", row.client_id);
  if (isPhoto) {
    form.append("photo", row.photo, "photo.jpg");
    return ["/walk/photos/", form];
  }
  form.append("voice", row.voice, "The recording");
  if (row.voice_s) form.append("seconds", String(row.voice_s));
  return ["/walk/voices/", form];
}

// The farm knows fewer notes of this phone than it once said yes to: it was put back from a backup.
async function compare(known) {
  const acknowledged = (await fact("acknowledged")) ?? 0;
  if (known === null || known === undefined || known >= acknowledged) return;
  const rows = await inState("stored");
  const { status, facts } = await post(
    "/walk/missing/",
    JSON.stringify({ notes: rows.map((row) => row.client_id) }),
    JSON_KIND,
  );
  if (status !== 200 || !Array.isArray(facts.missing)) return;
  for (const row of rows.filter((one) => facts.missing.includes(one.client_id))) {
    row.state = "waiting";
    row.counted = false;
    await put(row);
  }
  await keepFact("acknowledged", known);
}

export async function forgetOld() {
  const rows = await inState("stored");
  for (const row of rows) if (row.stored_at < Date.now() - KEEP_MS) await drop(row.client_id);
}

// At most 1600 px a side, as JPEG: a photo of 40 MB becomes one of half a megabyte. No picture, or
// one too large for this phone: null, and the note goes without it.
export async function shrink(file) {
  try {
    const picture = await createImageBitmap(file);
    const scale = Math.min(1, 1600 / Math.max(picture.width, picture.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.max(1, Math.round(picture.width * scale));
    canvas.height = Math.max(1, Math.round(picture.height * scale));
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    return await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", 0.82));
  } catch {
    return null;
  }
}
