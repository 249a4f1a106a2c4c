/* On a telephone: what was taken or chosen is sent at once, one picture after another, and it says so. */
"use strict";

(() => {
  const say = (text) => {
    const place = document.getElementById("sending");
    if (place) place.textContent = text;
  };
  const rest = (on) => {
    for (const one of document.querySelectorAll("button")) one.disabled = on;
  };
  const send = async (form) => {
    const files = [...form.querySelector("input[type=file]").files];
    let refused = 0;
    let told = "";
    rest(true);
    for (const [at, file] of files.entries()) {
      say(files.length === 1 ? "Sending the picture…" : `Sending picture ${at + 1} of ${files.length}…`);
      const body = new FormData();
      body.append("pictures", file);
      try {
        const answer = await fetch(form.action, { method: "POST", body });
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        const words = page.querySelectorAll(answer.ok ? "#sending" : ".what");
        if (!answer.ok) refused += 1;
        if (!answer.ok || !refused) told = [...words].map((one) => one.textContent).join(" ");
        const shown = page.querySelector(".arrived");
        if (shown) document.querySelector(".arrived").replaceWith(shown);
      } catch {
        say("The bench does not answer. What was not sent is still on this phone: try again.");
        rest(false);
        return;
      }
    }
    rest(false);
    for (const one of document.querySelectorAll("form.send")) {
      one.reset();
      one.querySelector("button").hidden = true; // choosing sends at once: there is nothing left for it to send
    }
    if (!refused) say(files.length === 1 && told ? told : "Sent.");
    else say(files.length === 1 ? `Not taken: ${told}` : `${refused} of ${files.length} ${refused === 1 ? "was" : "were"} not taken. The last: ${told}`);
  };

  document.addEventListener("change", (event) => {
    const form = event.target.closest("form.send");
    if (form && event.target.files && event.target.files.length) form.requestSubmit();
  });
  document.addEventListener("submit", (event) => {
    if (!event.target.matches("form.send")) return;
    event.preventDefault();
    send(event.target);
  });
})();
