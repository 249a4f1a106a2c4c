/* Where somebody is after a form was sent: at the field that was refused, or at the place they were. */
"use strict";

(() => {
  let sent = null; // the form under way: what was pressed in it, and where on the page that was

  const trouble = () => document.getElementById("trouble");
  /* Pages bind numbers to their units by blanks at which no line ends; a field has plain ones. */
  const plain = (text) => text.replace(/[\u00a0\u2009\u202f]/g, " ").trim();
  const words = (label) => plain(label.textContent).replace(/\(optional\)$/, "").trim();

  /* A refusal begins with the words of the field that it is about, or with what was written there. */
  const refused = (form, said) => {
    for (const one of form.querySelectorAll("label, legend")) {
      if (!words(one) || !said.startsWith(`${words(one)}:`)) continue;
      return one.control || one.closest("fieldset")?.querySelector("input") || null;
    }
    const fields = [...form.querySelectorAll("input:not([type=hidden]), textarea")];
    const written = fields.filter((one) => one.value && said.startsWith(`'${plain(one.value)}'`));
    return written.length === 1 ? written[0] : null;
  };

  const told = (field, is) => {
    const others = (field.getAttribute("aria-describedby") || "").split(" ").filter((one) => one && one !== "trouble");
    if (is) others.push("trouble");
    if (others.length) field.setAttribute("aria-describedby", others.join(" "));
    else field.removeAttribute("aria-describedby");
    if (is) field.setAttribute("aria-invalid", "true");
    else field.removeAttribute("aria-invalid");
  };

  const settle = () => {
    for (const one of document.querySelectorAll("[aria-invalid]")) told(one, false);
    trouble()?.classList.remove("follows");
  };

  const unfold = (one) => {
    for (let at = one.closest("details:not([open])"); at; at = at.parentElement.closest("details:not([open])")) {
      at.open = true;
    }
  };

  const show = (one) => {
    unfold(one);
    one.focus({ preventScroll: true });
    one.scrollIntoView({ block: "center" });
  };

  const refuse = () => {
    const said = plain(trouble()?.querySelector("p")?.textContent || "");
    if (!said || !sent?.form.isConnected) return;
    const field = refused(sent.form, said);
    if (field) told(field, true);
    trouble().classList.add("follows");
    const one = field || sent.pressed;
    if (one?.isConnected) show(one);
  };

  /* The page came anew, with the form as it was typed: what a page cannot fill is taken over from the form that
     was there, and somebody is where something else stands now. */
  const again = () => {
    const form = document.querySelector("form[data-again]");
    if (!form) return;
    const were = [...(sent?.form.querySelectorAll("input[type=file]") || [])];
    const files = [...form.querySelectorAll("input[type=file]")];
    for (const one of files) one.files = were.find((each) => each.name === one.name)?.files || one.files;
    if (files.every((one) => one.files.length)) trouble()?.querySelector("[data-files]")?.remove();
    trouble()?.classList.add("follows");
    const told = form.querySelector(".stands")?.id;
    const first = told && form.querySelector(`[aria-describedby~="${told}"]`);
    const one = first || form.querySelector("button:not([formaction])");
    if (one) show(one);
  };

  /* A form sent exchanges the page, and what is typed in its other forms with it: that is taken over, each to the
     field that stands in the same form of the same thing. */
  let others = [];
  const OWN = ["seen", "once", "from_page"];
  const mark = (form) => form.elements.namedItem("seen")?.value;
  const about = (form) => {
    const hidden = [...form.querySelectorAll("input[type=hidden]")].filter((one) => !OWN.includes(one.name));
    return JSON.stringify([form.getAttribute("action"), hidden.map((one) => [one.name, one.value])]);
  };
  const begun = (one) => {
    if (one.tagName !== "SELECT") return one.defaultValue;
    return ([...one.options].find((each) => each.defaultSelected) || one.options[0])?.value;
  };
  const isTick = (one) => one.type === "checkbox" || one.type === "radio";
  const asked = (form) => {
    const all = [...form.querySelectorAll("input, textarea, select")];
    return all.filter((one) => one.name && !["hidden", "password"].includes(one.type));
  };
  const alike = (form, one) => {
    const same = (each) => each.name === one.name && each.type === one.type;
    return asked(form).filter((each) => same(each) && (!isTick(one) || each.value === one.value));
  };
  const isTyped = (one) => {
    if (one.type === "file") return one.files.length > 0;
    return isTick(one) ? one.checked !== one.defaultChecked : one.value !== begun(one);
  };

  const takeOthers = () => {
    others = [];
    for (const form of document.querySelectorAll("form[method=post]")) {
      if (form === sent?.form) continue;
      for (const one of asked(form)) {
        if (!isTyped(one) && !form.dataset.again) continue; // a form filled again begins with what was typed
        others.push({ one, was: begun(one), of: about(form), then: mark(form), at: alike(form, one).indexOf(one) });
      }
    }
  };

  const giveOthers = () => {
    for (const form of document.querySelectorAll("form[method=post]:not([data-again])")) {
      for (const { one, was, of, then, at } of others) {
        const now = of === about(form) && alike(form, one)[at];
        if (now) give(now, one, was, then === mark(form));
      }
    }
    others = [];
  };

  /* A tick says that something is so: where the page shows something else now, it is to be set anew. */
  const give = (now, one, was, asItWas) => {
    if (now === one || (isTick(one) && !asItWas)) return;
    if (one.type === "file") now.files = one.files;
    else if (isTick(one)) now.checked = one.checked;
    else {
      const stands = begun(now);
      now.value = one.value;
      if (stands !== was && stands && now.value !== stands) {
        const told = document.createElement("span");
        told.className = "stands";
        told.textContent = `Now on record: ${stands}`;
        now.after(told);
      }
    }
    unfold(now);
  };

  /* The heading above the place where somebody was: what comes next with the keys is what stands below it. */
  const back = () => {
    const lost = !document.activeElement || document.activeElement === document.body;
    if (!lost || !sent?.pressed) return;
    const heads = [...document.querySelectorAll("main h1, main h2, main h3")].filter((one) => one.offsetParent);
    const above = heads.filter((one) => {
      const { left, right, top } = one.getBoundingClientRect();
      return top + scrollY <= sent.top && left <= sent.left && sent.left <= right;
    });
    const one = above.pop() || heads[0];
    if (!one) return;
    one.tabIndex = -1;
    one.focus({ preventScroll: true });
  };

  /* What was done is told also to those whom the page did not take back to its top. */
  const tell = () => {
    const notice = document.querySelector("main > .notice[role=status]:not([id])"); // one with a name is read so
    if (!notice) return;
    const held = [...notice.childNodes];
    notice.style.minHeight = `${notice.offsetHeight}px`; // nothing below it moves meanwhile
    notice.replaceChildren();
    setTimeout(() => notice.replaceChildren(...held), 100); // only what changes in it is read out
    if (notice.getBoundingClientRect().top >= 0) return;
    notice.classList.add("follows");
    scrollBy(0, -notice.offsetHeight); // what somebody looks at stands below it, and not under it
    setTimeout(() => addEventListener("scroll", () => notice.classList.remove("follows"), { once: true }), 1000);
  };

  document.addEventListener("htmx:beforeRequest", (event) => {
    const form = event.detail.elt;
    if (form.tagName !== "FORM" || form.method !== "post") return;
    settle();
    const pressed = form.contains(document.activeElement) ? document.activeElement : null;
    const { left, top } = (pressed || form).getBoundingClientRect();
    sent = { form, pressed, left, top: top + scrollY };
  });
  const isPage = (target) => target === document.body || target?.id === "main";
  document.addEventListener("htmx:beforeSwap", (event) => {
    if (event.detail.shouldSwap && isPage(event.detail.target)) takeOthers();
  });
  document.addEventListener("htmx:afterSettle", (event) => {
    if (isPage(event.target)) giveOthers();
  });
  /* A page that a browser kept whole, and shows again as it was, is old: it is asked for again, unless somebody
     typed in it, as their words would be gone then; what is old in its forms is refused. */
  addEventListener("pageshow", (event) => {
    const forms = [...document.querySelectorAll("form[method=post]")];
    if (event.persisted && !forms.some((form) => asked(form).some(isTyped))) location.reload();
  });
  document.addEventListener("input", (event) => {
    if (event.target.hasAttribute("aria-invalid")) told(event.target, false);
  });
  document.addEventListener("htmx:afterSettle", (event) => {
    if (event.target.id === "trouble") refuse();
    else if (event.target.id === "main") again();
    else if (event.target === document.body) {
      back();
      tell();
      sent = null;
    }
  });
})();
