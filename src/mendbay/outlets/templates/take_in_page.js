
"use strict";
(() => {
  const form = document.getElementById("form");
  const given = form.dataset;
  const blocks = Array.from(document.querySelectorAll("[data-question]"));
  const typed = (block) => block.querySelector("[data-typed]");
  const picks = (block) => Array.from(block.querySelectorAll("[data-pick]"));
  const words = (block) => block.querySelector("legend, .words").textContent.replace(/\s*\*\s*$/, "").trim();
  let saved = true;

  function answer(block) {
    const picked = picks(block).filter((one) => one.checked).map((one) => one.value);
    const field = typed(block);
    return picked.length ? picked.join(", ") : field ? field.value.trim() : "";
  }

  function sound(block) {
    const field = typed(block);
    return !field || field.disabled || field.validity.valid;
  }

  function asked() {
    return blocks.filter((block) => !block.hidden);
  }

  function show() {
    const kind = blocks.find((block) => block.dataset.question === "kind");
    const picked = kind ? answer(kind) : "";
    for (const block of blocks) {
      const kinds = block.dataset.kinds.split(" ").filter(Boolean);
      block.hidden = Boolean(picked) && kinds.length > 0 && !kinds.includes(picked);
      const field = typed(block);
      if (field) field.disabled = picks(block).some((one) => one.checked);
      const clear = block.querySelector("[data-clear]");
      if (clear) clear.hidden = !answer(block);
      const bad = !sound(block);
      block.querySelector("[data-bad]").hidden = !bad;
      if (field) field.setAttribute("aria-invalid", String(bad));
    }
    for (const count of document.querySelectorAll("[data-count]")) {
      const own = asked().filter((block) => block.closest("section").id === count.dataset.count);
      count.textContent = own.filter((block) => answer(block)).length + " of " + own.length + " answered";
    }
  }

  function text() {
    const answers = asked().filter((block) => answer(block)).map((block) => ({
      question: block.dataset.question,
      bay: block.dataset.bay || null,
      answer: answer(block),
    }));
    const whole = {
      format: given.format,
      version: Number(given.version),
      case: given.case ? Number(given.case) : null,
      answers: answers,
    };
    return [JSON.stringify(whole, null, 1) + "\n", answers.length];
  }

  function link(block, said) {
    const item = document.createElement("li");
    const anchor = document.createElement("a");
    const target = block.querySelector("input, textarea");
    anchor.href = "#" + target.id;
    anchor.textContent = words(block) + said;
    anchor.addEventListener("click", (event) => {
      event.preventDefault();
      block.scrollIntoView();
      target.focus();
    });
    item.append(anchor);
    return item;
  }

  function save() {
    show();
    const [json, count] = text();
    const bad = asked().filter((block) => !sound(block));
    const open = asked().filter((block) => "essential" in block.dataset && !answer(block));
    const told = document.getElementById("told");
    document.getElementById("open-list").replaceChildren(
      ...bad.map((block) => link(block, " (cannot be taken as it is)")),
      ...open.map((block) => link(block, "")),
    );
    if (!count) {
      told.textContent = "Nothing is answered yet, so there is nothing to save.";
      return;
    }
    const address = URL.createObjectURL(new Blob([json], { type: "application/json" }));
    const anchor = document.createElement("a");
    anchor.href = address;
    anchor.download = given.file;
    anchor.click();
    setTimeout(() => URL.revokeObjectURL(address), 60000);
    document.getElementById("saved").hidden = false;
    document.getElementById("saved-text").value = json;
    document.getElementById("copied").textContent = "";
    saved = true;
    told.textContent = count + (count === 1 ? " answer" : " answers") + " put into " + given.file + ". " +
      (open.length || bad.length ? "Still to be looked at:" : "The essentials are complete.");
  }

  async function copy() {
    const area = document.getElementById("saved-text");
    let done = false;
    try {
      await navigator.clipboard.writeText(area.value);
      done = true;
    } catch {
      area.focus();
      area.select();
      done = document.execCommand("copy");
    }
    document.getElementById("copied").textContent = done ? "Copied." : "Not copied: select the text and copy it by hand.";
  }

  form.addEventListener("input", (event) => {
    const block = event.target.closest("[data-question]");
    if (!block) return;
    if (event.target.type === "checkbox" && event.target.checked) {
      const alone = "alone" in event.target.dataset;
      for (const one of picks(block)) {
        if (one !== event.target && (alone || "alone" in one.dataset)) one.checked = false;
      }
    }
    saved = false;
    show();
  });
  form.addEventListener("click", (event) => {
    if (!event.target.closest("[data-clear]")) return;
    const block = event.target.closest("[data-question]");
    for (const one of picks(block)) one.checked = false;
    picks(block)[0].focus();
    saved = false;
    show();
  });
  form.addEventListener("submit", (event) => event.preventDefault());
  document.getElementById("save-button").addEventListener("click", save);
  document.getElementById("copy-button").addEventListener("click", copy);
  window.addEventListener("beforeunload", (event) => {
    if (!saved) event.preventDefault();
  });
  show();
})();
