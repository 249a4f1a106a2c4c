/* What the pages do by themselves: hear that something changed, and ask again for the parts that show it. */
"use strict";

(() => {
  let stream = null;
  let known = {};
  let heard = {};
  let late = 0;
  const missed = new Set();

  const main = () => document.getElementById("main");
  const say = (text) => {
    const place = document.getElementById("link-state");
    if (place && place.textContent !== text) place.textContent = text;
    document.body.classList.toggle("unheard", Boolean(text)); // so are the parts that are kept true by news
  };

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
    say("");
    heard = JSON.parse(event.data);
    heed();
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
    stream.addEventListener("now", hear);
    stream.onerror = () => {
      say("The server does not answer; what you see may be old.");
      if (stream.readyState === EventSource.CLOSED) {
        clearTimeout(late);
        late = setTimeout(listen, 2000);
      }
    };
  };

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
  const tell = (part) => {
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
    if (event.target === document.body) {
      known = marks(main()?.dataset.mark);
      heed(); // news that came while this page was on its way
    }
    if (event.target.dataset?.live) tell(event.target);
    reachable();
    listen();
  });
  window.addEventListener("resize", reachable);
  document.addEventListener("htmx:sendError", () => {
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
