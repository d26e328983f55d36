// The thumb on the walk page: one that bounces, steps of a count, and what the bar must not cover.

const PARTS = ["rows", "columns", "loose"];

// A thumb that bounces after a note is stored would come down on the next trough: the second tap of
// two is not meant. Steps and digits are tapped quickly on purpose.
let taken = { at: -Infinity, x: 0, y: 0 };
const BOUNCE_MS = 450;
const BOUNCE_PX = 40;

function isBounce(event) {
  const isSoon = performance.now() - taken.at < BOUNCE_MS;
  const isThere = Math.hypot(event.clientX - taken.x, event.clientY - taken.y) < BOUNCE_PX;
  const isSecond = event.detail > 1 || event.pointerType === "touch";
  return isSoon && isThere && isSecond;
}

document.addEventListener(
  "click",
  (event) => {
    if (isBounce(event)) {
      event.preventDefault();
      event.stopImmediatePropagation();
    } else if (event.target.closest("form.note button[type=submit]"))
      taken = { at: performance.now(), x: event.clientX, y: event.clientY };
  },
  { capture: true },
);

export function press(step) {
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
  if (PARTS.includes(field.name)) multiply(form);
}

export function multiply(form) {
  const number = (name) => Number(form.querySelector(`input[name="${name}"]`)?.value || 0);
  if (number("rows") && number("columns"))
    form.querySelector('input[name="pieces"]').value =
      number("rows") * number("columns") + number("loose");
}

// The bar that asks must not lie over the question that comes after the one just answered.
export function showNext(field) {
  const next = field.closest("fieldset")?.nextElementSibling;
  const bar = document.querySelector(".armed .confirm")?.getBoundingClientRect();
  if (!bar || !next?.matches("fieldset") || !next.offsetParent) return;
  const over = next.getBoundingClientRect().bottom + 12 - bar.top;
  if (over > 0) window.scrollBy({ top: over });
}
