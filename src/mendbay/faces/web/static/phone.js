/* On a telephone: what was taken or chosen is sent at once, and it says so. */
"use strict";

(() => {
  const say = (text) => {
    const place = document.getElementById("sending");
    if (place) place.textContent = text;
  };
  document.addEventListener("change", (event) => {
    const form = event.target.closest("form.send");
    if (form && event.target.files && event.target.files.length) form.requestSubmit();
  });
  document.addEventListener("submit", (event) => {
    if (!event.target.matches("form.send")) return;
    const count = event.target.querySelector("input[type=file]").files.length;
    say(count === 1 ? "Sending one picture…" : `Sending ${count} pictures…`);
    setTimeout(() => {
      for (const one of document.querySelectorAll("button")) one.disabled = true;
    }, 0);
  });
  window.addEventListener("pageshow", () => {
    say("");
    for (const one of document.querySelectorAll("button")) one.disabled = false;
  });
})();
