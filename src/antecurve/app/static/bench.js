"use strict";
/* What pages of the bench do beyond forms: charts of new parts, errors beside their fields, and a
   word when the server is gone. */
(() => {
  const EVERY_MS = 2000;

  document.addEventListener("htmx:afterSettle", () => {
    document.dispatchEvent(new Event("inserted"));
    for (const error of document.querySelectorAll(".error[id]")) {
      const field = document.getElementById(error.id.slice("error-".length));
      if (field) field.setAttribute("aria-invalid", String(error.textContent !== ""));
    }
  });

  /* A bench that was stopped answers nothing; when it is back, so is the page. */
  const lost = document.getElementById("lost");
  async function look() {
    let answers = false;
    try {
      const response = await fetch("/alive", { cache: "no-store" });
      answers = response.ok;
    } catch { /* no server: it does not answer */ }
    const wasLost = lost && !lost.hidden;
    if (lost) lost.hidden = answers;
    if (answers && wasLost) {
      for (const part of document.querySelectorAll("[data-again]")) htmx.trigger(part, "again");
    }
    setTimeout(look, EVERY_MS);
  }
  setTimeout(look, EVERY_MS);
})();

/* Captures may be dropped anywhere on the form; on the verdict one key goes on to the next unit. */
(() => {
  const form = document.getElementById("test"), files = document.getElementById("files");
  if (form && files) {
    const drop = files.closest(".drop");
    form.addEventListener("dragover", (event) => { event.preventDefault(); drop.classList.add("over"); });
    form.addEventListener("dragleave", () => drop.classList.remove("over"));
    form.addEventListener("drop", (event) => {
      event.preventDefault();
      drop.classList.remove("over");
      if (event.dataTransfer.files.length) files.files = event.dataTransfer.files;
    });
  }
  const next = document.getElementById("next");
  if (next) {
    document.addEventListener("keydown", (event) => {
      const typing = event.target.closest("input, select, textarea, [contenteditable]");
      if (event.key.toLowerCase() === "n" && !typing && !event.ctrlKey && !event.altKey && !event.metaKey) next.click();
    });
  }
})();
