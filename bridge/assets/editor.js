// Makes the rules' editor kinder: line numbers, indenting with Tab, a word before unsaved text is lost. It works without.
"use strict";

function numbers(text) {
  const gutter = document.createElement("pre");
  gutter.className = "gutter";
  gutter.setAttribute("aria-hidden", "true");
  text.before(gutter);
  const renumber = () => {
    const count = text.value.split("\n").length;
    if (gutter.childElementCount !== count)
      gutter.replaceChildren(...Array.from({ length: count }, (_, n) => Object.assign(document.createElement("span"), { textContent: `${n + 1}\n` })));
    gutter.scrollTop = text.scrollTop;
  };
  text.addEventListener("input", renumber);
  text.addEventListener("scroll", renumber, { passive: true });
  renumber();
}

// Tab indents by four spaces and Shift+Tab takes them back; after Escape the next Tab leaves the field, as it does elsewhere.
function indenting(text) {
  let leaves = false;
  text.addEventListener("keydown", (event) => {
    if (event.key === "Escape") leaves = true;
    if (event.key !== "Tab" || event.ctrlKey || event.altKey || event.metaKey) return;
    if (leaves) return void (leaves = false);
    event.preventDefault();
    const start = text.value.lastIndexOf("\n", text.selectionStart - 1) + 1;
    const lines = text.value.slice(start, text.selectionEnd).split("\n");
    const [from, to] = [text.selectionStart, text.selectionEnd];
    if (!event.shiftKey && lines.length === 1) return void text.setRangeText("    ", from, to, "end");
    const moved = lines.map((line) => (event.shiftKey ? line.replace(/^ {1,4}|^\t/, "") : `    ${line}`)).join("\n");
    text.setRangeText(moved, start, to, "preserve");
    text.dispatchEvent(new Event("input"));
  });
  text.addEventListener("blur", () => (leaves = false));
}

function guarded(form, text) {
  const began = text.value;
  let sent = false;
  form.addEventListener("submit", () => (sent = true));
  addEventListener("beforeunload", (event) => {
    if (!sent && text.value !== began) event.preventDefault();
  });
}

document.querySelectorAll("form.editor").forEach((form) => {
  const text = form.querySelector("textarea");
  document.querySelectorAll("[data-only-with-script]").forEach((part) => (part.hidden = false));
  numbers(text);
  indenting(text);
  guarded(form, text);
});
