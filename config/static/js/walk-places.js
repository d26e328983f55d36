// The places of the walk as this page knows them: each trough's page, its trays, who looked. A note
// changes them at once, and one taken back leaves them as they were.

const $ = (query, from) => from.querySelector(query);
export const pages = new Map(
  [...document.querySelectorAll("template.trough-page")].map((one) => [one.dataset.code, one]),
);
export const order = [...pages.keys()];

export function troughOf(trayCode) {
  for (const [code, page] of pages)
    if (page.content.querySelector(`[data-tray="${trayCode}"]`)) return code;
  return "";
}

export const troughFor = (note) => (pages.has(note.place) ? note.place : troughOf(note.place));
const rowOf = (note) =>
  pages.get(troughFor(note))?.content.querySelector(`[data-tray="${note.place}"]`);

function lookedWords(trough) {
  const every = [...document.querySelectorAll(`[data-looked="${trough}"]`)];
  for (const page of pages.values())
    every.push(...page.content.querySelectorAll(`[data-looked="${trough}"]`));
  return every;
}

// How a place stands on this page, so that a note taken back leaves it as it was.
export function standingOf(note) {
  const looked = lookedWords(troughFor(note)).map((one) => [one, one.textContent, one.className]);
  const row = rowOf(note);
  const list = row?.closest("ul");
  return { place: note.place, looked, row, list, facts: row ? { ...row.dataset } : {} };
}

export function putBack(was) {
  for (const [one, words, names] of was.looked) {
    one.textContent = words;
    one.className = names;
  }
  if (was.row) {
    Object.assign(was.row.dataset, was.facts);
    $(".pieces", was.row).textContent = was.facts.pieces;
    const line = was.row.closest("li");
    if (line.parentElement !== was.list) was.list.append(line);
  }
}

// A tray that the farm says was carried stands in its new trough here as well.
export function carry(note) {
  const line = rowOf(note)?.closest("li");
  const list = pages.get(note.to_trough)?.content.querySelector(".trays");
  if (!line || !list) return;
  list.querySelector("li:not(:has(a))")?.remove();
  list.append(line);
}

export function follow(note, said) {
  const trough = troughFor(note);
  for (const one of lookedWords(trough)) {
    one.textContent = "looked at just now";
    one.classList.add("is-looked");
  }
  if (note.kind === "count" || note.kind === "dead") {
    const row = rowOf(note);
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
  if (said) {
    const row = rowOf(note);
    if (row && (note.polyp || note.growth)) row.dataset.look = `${said}, just now`;
  }
}

export function fill(page, words) {
  const put = (text) => text.replace(/@(\w+)@/g, (all, name) => words[name] ?? all);
  const walker = document.createTreeWalker(page, NodeFilter.SHOW_ELEMENT | NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    if (node.nodeType === Node.TEXT_NODE) node.data = put(node.data);
    else for (const one of node.attributes) if (one.value.includes("@")) one.value = put(one.value);
  }
  for (const one of page.querySelectorAll("input[data-was]")) one.value = one.dataset.was;
}

export function tellLook(page, code, words) {
  const place = $(`[data-look="${code}"]`, page);
  place.replaceChildren(...(words ? [document.createElement("br"), words] : []));
}

// The way on: the trough before, and the next one.
export function onward(code) {
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

export function link(kind, code, words) {
  const one = document.createElement("a");
  one.className = kind;
  one.href = code ? `#${code}` : "#";
  one.dataset.go = code;
  one.textContent = words;
  return one;
}
