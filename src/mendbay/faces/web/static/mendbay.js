/* What the pages do by themselves: hear that something changed, and ask again for the parts that show it. */
"use strict";

(() => {
  let stream = null;
  let known = {};
  let heard = {};
  let late = 0;
  let again = 0;
  const missed = new Set();
  const unshown = new Set();
  let silent = "";
  let heardAt = 0;
  let answered = false;
  let lookedAt = Date.now();
  /* A server that is there says so every 15 s, and answers a stream at once. */
  const SILENT_MS = 30_000;
  const ANSWER_MS = 4_000;
  const LOOK_MS = 2_000;

  const main = () => document.getElementById("main");
  const tell = () => {
    const text = silent || (unshown.size ? "A part of this page could not be asked for; what you see may be old." : "");
    const place = document.getElementById("link-state");
    if (place && place.textContent !== text) place.textContent = text;
    document.body.classList.toggle("unheard", Boolean(text)); // so are the parts that are kept true by news
  };
  const say = (text) => {
    silent = text;
    tell();
  };
  const sayOld = () => say("The server does not answer; what you see may be old.");

  const marks = (text) => Object.fromEntries((text || "").split(" ").filter(Boolean).map((one) => one.split("=")));

  /* A part in which somebody is, is left as it is until they have left it; but not for a button's sake where
     the server is told what the part shows: it then answers only if something else is to be shown. */
  const held = (part) => {
    const at = document.activeElement;
    if (!part.contains(at?.closest("form"))) return false;
    return at.tagName !== "BUTTON" || !part.getAttribute("hx-get").includes("was=");
  };

  /* Parts of the page whose kind of news has come are asked for again. */
  const refresh = (names) => {
    for (const part of document.querySelectorAll("[data-live]")) {
      const wanted = names.filter((name) => part.dataset.live.split(" ").includes(name));
      if (!wanted.length) continue;
      if (held(part)) for (const name of wanted) missed.add(name);
      else htmx.trigger(part, "refresh");
    }
  };

  /* What was left as it was is made up for once nobody is in it; a moment later, as a click may be under way. */
  const makeUp = () => {
    const names = [...missed];
    missed.clear();
    if (names.length) refresh(names);
  };

  const hear = (event) => {
    heardAt = performance.now();
    answered = true;
    say("");
    heard = JSON.parse(event.data);
    heed();
    if (unshown.size) makeUp();
  };

  const heed = () => {
    const changed = Object.keys(heard).filter((name) => heard[name] !== known[name]);
    known = { ...known, ...heard };
    if (changed.length) refresh(changed);
  };

  const listen = () => {
    if (document.hidden || !document.querySelector("[data-live]")) {
      if (stream) stream.close();
      stream = null;
      heard = {};
      say("");
      return;
    }
    if (stream && stream.readyState !== EventSource.CLOSED) return;
    stream = new EventSource("/live");
    heardAt = performance.now();
    answered = false;
    stream.addEventListener("now", hear);
    stream.onerror = () => {
      sayOld();
      if (stream.readyState === EventSource.CLOSED) {
        clearTimeout(late);
        late = setTimeout(listen, 2000);
      }
    };
  };

  /* A connection may be dead without a word of it: the network was left, or the machine slept. Then nothing comes
     any more, and a new stream tells what was missed. After a jump of the clock one is begun for nothing. */
  const mind = () => {
    const slept = Math.abs(Date.now() - lookedAt - LOOK_MS) > SILENT_MS;
    lookedAt = Date.now();
    if (!stream) return;
    const quiet = performance.now() - heardAt;
    if (slept || quiet > (answered ? SILENT_MS : ANSWER_MS)) sayOld();
    if (slept || quiet > SILENT_MS) {
      stream.close();
      stream = null;
      listen();
    }
  };
  setInterval(mind, LOOK_MS);

  /* A part that could not be asked for is old, whatever news is heard, until it was; what the server refuses for
     good is not asked for again. */
  const partFailed = (event) => {
    const part = event.detail.elt;
    if (!part?.dataset?.live) return;
    unshown.add(part.id);
    const status = event.detail.xhr?.status || 0;
    if (status === 0 || status === 408 || status === 429 || status >= 500) {
      for (const name of part.dataset.live.split(" ")) missed.add(name);
      clearTimeout(again);
      again = setTimeout(() => silent || makeUp(), 3000); // of a server that is silent, the stream says when it is back
    }
    tell();
  };
  for (const trouble of ["htmx:sendError", "htmx:responseError", "htmx:timeout"]) {
    document.addEventListener(trouble, partFailed);
  }
  document.addEventListener("htmx:afterRequest", (event) => {
    const asked = event.detail.requestConfig?.elt; // the event is that of what took its place
    if (event.detail.successful && unshown.delete(asked?.id)) tell();
  });

  /* What scrolls to the side can be reached by the keyboard. */
  const reachable = () => {
    for (const one of document.querySelectorAll(".scroll")) {
      if (one.scrollWidth > one.clientWidth || one.scrollHeight > one.clientHeight) one.tabIndex = 0;
      else one.removeAttribute("tabindex");
    }
  };

  /* How a long job stands is told to whoever hears the page once that changes, and not each of its steps. */
  const stood = new Map();
  const standing = (part) =>
    [...part.querySelectorAll("[data-says]")].map((one) => {
      const words = one.textContent.trim().replace(/\s+/g, " ");
      return one.dataset.says ? `${one.dataset.says}: ${words}` : words;
    });
  const speak = (part) => {
    const before = stood.get(part.id);
    const place = document.getElementById("told");
    stood.delete(part.id);
    if (!before || !place) return;
    const fresh = standing(part).filter((one) => !before.includes(one));
    if (fresh.length) place.textContent = fresh.join(". ");
  };

  const begin = () => {
    reachable();
    known = marks(main()?.dataset.mark);
    listen();
    door();
  };

  /* A link that brings the key behind its # opens the door without showing it to any log. */
  const door = () => {
    const form = document.getElementById("door");
    if (form && location.hash.length > 1) {
      form.elements.key.value = decodeURIComponent(location.hash.slice(1));
      history.replaceState(null, "", location.pathname);
      form.requestSubmit();
    }
  };

  document.addEventListener("DOMContentLoaded", begin);
  /* A browser has a handful of connections for one server, and each stream takes one: a page that nobody sees
     keeps none, and hears what it missed as soon as it is seen again. */
  document.addEventListener("visibilitychange", listen);
  document.addEventListener("focusout", () => setTimeout(makeUp, 1000));
  document.addEventListener("htmx:beforeSwap", (event) => {
    const part = event.detail.target;
    if (!part?.dataset?.live) return;
    stood.set(part.id, standing(part));
    if (!held(part)) return; // somebody came into it while it was asked for
    event.detail.shouldSwap = false;
    for (const name of part.dataset.live.split(" ")) missed.add(name);
  });
  document.addEventListener("htmx:afterSettle", (event) => {
    if (event.target === document.body || event.target === main()) {
      known = marks(main()?.dataset.mark);
      unshown.clear();
      tell();
      heed(); // news that came while this page was on its way
    }
    if (event.target.dataset?.live) speak(event.target);
    reachable();
    listen();
  });
  window.addEventListener("resize", reachable);
  document.addEventListener("htmx:sendError", (event) => {
    if (event.detail.elt?.dataset?.live) return; // nobody wrote anything there
    const place = document.getElementById("trouble");
    if (place) place.textContent = "The server does not answer. What you wrote is still here: send it again.";
  });
  document.addEventListener("htmx:beforeRequest", () => {
    const place = document.getElementById("trouble");
    if (place && !place.querySelector(".trouble")) place.textContent = "";
  });
  document.addEventListener("htmx:afterSwap", (event) => {
    if (event.target.id === "trouble") {
      document.querySelector(".notice[role=status]")?.remove(); // of the form before
      document.querySelector("[data-until-trouble]")?.remove(); // it waits for what does not come
      event.target.scrollIntoView({ block: "center" });
    }
  });
})();
