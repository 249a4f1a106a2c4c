/* Pictures dropped on the page or pasted into it go the way of the plain form: into its input, then off. */
"use strict";

(() => {
  const form = () => document.querySelector("form.drop");
  const input = () => form()?.querySelector("input[type=file]");
  const pictures = (list) => [...(list || [])].filter((one) => one.type.startsWith("image/"));

  const send = (files) => {
    const place = input();
    if (!place || !files.length) return;
    const held = new DataTransfer();
    for (const one of files) held.items.add(one); // too many are refused, and that is told
    place.files = held.files;
    form().requestSubmit();
  };

  const over = (on) => form()?.classList.toggle("over", on);

  document.addEventListener("dragover", (event) => {
    if (!form() || ![...event.dataTransfer.types].includes("Files")) return;
    event.preventDefault();
    over(true);
  });
  document.addEventListener("dragleave", (event) => {
    if (!event.relatedTarget) over(false);
  });
  document.addEventListener("drop", (event) => {
    over(false);
    if (!form() || !event.dataTransfer.files.length) return;
    event.preventDefault();
    send(pictures(event.dataTransfer.files));
  });
  document.addEventListener("paste", (event) => {
    const found = pictures(event.clipboardData?.files);
    if (found.length && form()) {
      event.preventDefault();
      send(found);
    }
  });

  /* How far a sending is. */
  document.addEventListener("htmx:xhr:progress", (event) => {
    if (!event.target.matches?.("form.drop") || !event.detail.total) return;
    const share = Math.floor((100 * event.detail.loaded) / event.detail.total);
    const place = document.getElementById("sent-so-far");
    if (place) place.textContent = share < 100 ? `Sending: ${share} %` : "Sent; being kept.";
  });

  document.addEventListener("htmx:afterRequest", (event) => {
    const place = event.target.matches?.("form.drop") && document.getElementById("sent-so-far");
    if (place) place.textContent = ""; // the page or the trouble says what came of it
  });

  /* Words that are true only where this script runs. */
  const words = () => {
    for (const one of document.querySelectorAll(".drop-words:not([data-said])")) {
      one.dataset.said = "yes";
      one.append(" They can also be dropped anywhere on this page, or pasted.");
    }
  };
  document.addEventListener("DOMContentLoaded", words);
  document.addEventListener("htmx:afterSettle", words);
})();
