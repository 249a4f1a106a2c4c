/* The tree of files: any number of rows, of which only those that are seen are there. */
"use strict";

(() => {
  /* How high a row is, in the size of the text: on a narrow screen what a row says stands on lines of its own. */
  const ROW_REM = 2.75;
  const NARROW_ROW_REM = 3.9;
  const NARROW = matchMedia("(max-width: 36rem)");
  const CHUNK = 100;
  const KEPT = 40;
  const SPARE = 12;
  /* Browsers draw nothing taller than some 16 to 33 million pixels: a longer list is mapped onto this height,
     one to one at both ends and while one scrolls a little, by share where one jumps. */
  const TALLEST = 8e6;
  const EDGE = 2e5;
  const MOST_OPENED = 2000;
  const MOST_PICKED = 200;

  const pack = (numbers) => {
    let before = 0;
    return [...numbers].sort((one, other) => one - other).map((one) => {
      const step = (one - before).toString(36);
      before = one;
      return step;
    }).join(".");
  };
  const unpack = (text) => {
    let at = 0;
    return text ? text.split(".").map((one) => (at += parseInt(one, 36))) : [];
  };
  const grouped = (number) => String(number).replace(/\B(?=(\d{3})+(?!\d))/g, "\u202f");

  class Tree {
    constructor(place) {
      this.place = place;
      this.data = place.dataset;
      this.form = place.closest("form");
      this.filters = document.getElementById("filters");
      this.opened = new Set(unpack(this.data.opened));
      this.picked = new Map();
      this.total = Number(this.data.total);
      this.at = Math.min(Number(this.data.first), Math.max(0, this.total - 1));
      this.chunks = new Map();
      this.seen = new Map();
      this.asked = new Map();
      this.version = 0;
      this.offset = 0;
      this.before = 0;
      this.late = 0;
      this.build();
      this.measure();
      this.listen();
      this.resize();
      this.reveal(this.at);
      this.draw();
    }

    build() {
      const place = this.place;
      place.hidden = false;
      document.getElementById("plain").remove();
      place.setAttribute("role", "treegrid");
      place.setAttribute("aria-label", "Files");
      place.setAttribute("aria-multiselectable", "true");
      place.setAttribute("aria-readonly", "true");
      place.tabIndex = 0;
      this.space = document.createElement("div");
      this.space.className = "f-space";
      this.space.setAttribute("role", "presentation");
      place.replaceChildren(this.space);
      document.getElementById("show")?.remove();
      this.tell();
    }

    listen() {
      this.place.addEventListener("scroll", () => this.scrolled(), { passive: true });
      this.place.addEventListener("keydown", (event) => this.key(event));
      this.place.addEventListener("click", (event) => this.click(event));
      this.filters.addEventListener("input", () => {
        clearTimeout(this.late);
        this.late = setTimeout(() => this.anew(0), 150);
      });
      this.filters.addEventListener("submit", (event) => {
        event.preventDefault();
        clearTimeout(this.late);
        this.anew(0);
      });
      window.addEventListener("resize", () => this.resized());
    }

    /* ------------------------------------------------------------ where things stand */

    get height() {
      return this.place.clientHeight || 600;
    }

    get whole() {
      return this.total * this.high;
    }

    get tall() {
      return Math.min(this.whole, TALLEST);
    }

    measure() {
      const rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
      this.high = Math.round(rem * (NARROW.matches ? NARROW_ROW_REM : ROW_REM));
      this.space.style.setProperty("--row", `${this.high}px`); // what has an id must have no style of its own
    }

    /* The row that was at the top stays there. */
    resized() {
      const first = this.top / this.high;
      this.measure();
      this.resize();
      this.goTo(first * this.high);
      this.draw();
    }

    resize() {
      this.space.style.height = `${this.tall}px`;
      this.place.setAttribute("aria-rowcount", this.total);
    }

    /* From a place in the whole list to one of the scrolled height, and back. */
    down(real) {
      if (this.whole <= TALLEST) return real;
      const end = this.whole - EDGE;
      if (real <= EDGE) return real;
      if (real >= end) return TALLEST - (this.whole - real);
      return EDGE + ((real - EDGE) * (TALLEST - 2 * EDGE)) / (this.whole - 2 * EDGE);
    }

    up(shown) {
      if (this.whole <= TALLEST) return shown;
      if (shown <= EDGE) return shown;
      if (shown >= TALLEST - EDGE) return this.whole - (TALLEST - shown);
      return EDGE + ((shown - EDGE) * (this.whole - 2 * EDGE)) / (TALLEST - 2 * EDGE);
    }

    get top() {
      return this.place.scrollTop + this.offset;
    }

    goTo(real) {
      const most = Math.max(0, this.whole - this.height);
      const to = Math.min(Math.max(0, real), most);
      this.place.scrollTop = Math.round(this.down(to));
      this.before = this.place.scrollTop;
      this.offset = to - this.before;
    }

    scrolled() {
      const now = this.place.scrollTop;
      if (now !== this.before && this.whole > TALLEST) {
        const real = now + this.offset;
        const is_small = Math.abs(now - this.before) <= 3 * this.height;
        const is_edge = now < EDGE || now > TALLEST - EDGE - this.height;
        if (!is_small) this.offset = this.up(now) - now;
        else if (is_edge || Math.abs(this.down(real) - now) > EDGE / 4) this.goTo(real);
      }
      this.before = this.place.scrollTop;
      this.draw();
    }

    reveal(index) {
      const from = index * this.high;
      if (from < this.top) this.goTo(from);
      else if (from + this.high > this.top + this.height) this.goTo(from + this.high - this.height);
    }

    /* ------------------------------------------------------------ rows */

    draw() {
      const first = Math.max(0, Math.floor(this.top / this.high) - SPARE);
      const last = Math.min(this.total - 1, Math.ceil((this.top + this.height) / this.high) + SPARE);
      const wanted = new Set();
      for (let index = first; index <= last; index += 1) wanted.add(index);
      if (this.total) wanted.add(this.at);
      for (const [index, row] of this.seen) {
        if (!wanted.has(index)) {
          row.remove();
          this.seen.delete(index);
        }
      }
      for (const index of wanted) this.show(index);
      this.place.setAttribute("aria-activedescendant", this.total ? `row-${this.at}` : "");
      for (let chunk = Math.floor(first / CHUNK); chunk <= Math.floor(Math.max(first, last) / CHUNK); chunk += 1) {
        this.want(chunk);
      }
      this.want(Math.floor(this.at / CHUNK));
    }

    show(index) {
      const chunk = this.chunks.get(Math.floor(index / CHUNK));
      const found = chunk?.[index % CHUNK];
      let row = this.seen.get(index);
      if (!row || (found && row !== found)) {
        row?.remove();
        row = found || this.blank(index);
        this.seen.set(index, row);
        this.space.append(row);
      }
      row.style.transform = `translateY(${index * this.high - this.offset}px)`;
      row.classList.toggle("at", index === this.at);
      const number = row.dataset.number;
      if (number !== undefined) row.setAttribute("aria-selected", this.picked.has(number) ? "true" : "false");
    }

    blank(index) {
      const row = document.createElement("div");
      row.className = "f-row f-blank";
      row.id = `row-${index}`;
      row.setAttribute("role", "row");
      row.setAttribute("aria-rowindex", index + 1);
      row.dataset.index = index;
      const cell = document.createElement("span");
      cell.setAttribute("role", "gridcell");
      cell.className = "f-name soft";
      cell.textContent = "…";
      row.append(cell);
      return row;
    }

    want(chunk) {
      if (!this.total || this.chunks.has(chunk) || this.asked.has(chunk)) return;
      for (const [other, control] of this.asked) {
        if (Math.abs(other - chunk) > 3) control.abort(); /* scrolled past */
      }
      this.ask(chunk);
    }

    query() {
      const said = new URLSearchParams();
      for (const [name, value] of new FormData(this.filters)) if (value) said.append(name, value);
      if (this.opened.size) said.set("opened", pack(this.opened));
      said.set("generation", this.data.generation);
      return said;
    }

    async ask(chunk) {
      const control = new AbortController();
      const version = this.version;
      this.asked.set(chunk, control);
      const said = this.query();
      said.set("first", chunk * CHUNK);
      said.set("count", CHUNK);
      try {
        const answer = await fetch(`${this.data.rows}?${said}`, { signal: control.signal });
        const text = await answer.text();
        if (version !== this.version) return;
        if (answer.status === 409) {
          location.assign(this.data.page); /* listed anew: numbers mean others now */
          return;
        }
        if (!answer.ok) {
          this.refused(text);
          return;
        }
        document.getElementById("trouble").textContent = "";
        this.take(chunk, text);
      } catch (trouble) {
        if (trouble.name !== "AbortError") {
          document.getElementById("link-state").textContent = "The server does not answer; scroll to try again.";
        }
      } finally {
        if (this.asked.get(chunk) === control) this.asked.delete(chunk);
      }
    }

    refused(text) {
      const found = new DOMParser().parseFromString(text, "text/html").querySelector(".trouble");
      const place = document.getElementById("trouble");
      place.replaceChildren(...(found ? [found] : ["That was refused."]));
    }

    take(chunk, text) {
      const found = new DOMParser().parseFromString(text, "text/html").querySelector(".f-rows");
      if (!found) return;
      const total = Number(found.dataset.total);
      if (this.stale || total !== this.total) {
        this.stale = false;
        this.total = total;
        this.chunks.clear();
        for (const row of this.seen.values()) row.remove();
        this.seen.clear();
        this.at = Math.min(this.at, Math.max(0, total - 1));
        this.resize();
        this.goTo(this.top);
        this.tell();
      }
      this.chunks.set(chunk, [...found.children].map((one) => document.adoptNode(one)));
      if (this.chunks.size > KEPT) {
        const far = [...this.chunks.keys()].sort((one, other) => Math.abs(other - chunk) - Math.abs(one - chunk));
        this.chunks.delete(far[0]);
      }
      this.draw();
    }

    anew(at) {
      this.version += 1;
      for (const control of this.asked.values()) control.abort();
      this.asked.clear();
      this.stale = true;
      this.at = at;
      if (!at) this.goTo(0);
      const said = this.query();
      if (at) said.set("first", Math.max(0, Math.floor(this.top / this.high)));
      history.replaceState(null, "", `${this.data.page}?${said}`);
      this.ask(Math.floor((at ? this.top / this.high : 0) / CHUNK));
    }

    tell() {
      const found = document.getElementById("found");
      const words = `${grouped(this.total)} ${this.total === 1 ? "row" : "rows"}`;
      if (found) found.textContent = this.total ? words : "Nothing is found that way.";
    }

    /* ------------------------------------------------------------ what a person does */

    move(to) {
      if (!this.total) return;
      this.at = Math.min(Math.max(0, to), this.total - 1);
      this.reveal(this.at);
      this.draw();
    }

    row() {
      return this.seen.get(this.at);
    }

    fold(row, open) {
      if (!row?.dataset.folder || this.filters.elements.all.checked) return false;
      const number = Number(row.dataset.number);
      const is_open = row.dataset.folder === "open";
      if (open === is_open) return false;
      if (is_open) this.opened.delete(number);
      else if (this.opened.size < MOST_OPENED) this.opened.add(number);
      else {
        document.getElementById("trouble").textContent = `${MOST_OPENED} folders are open at once: close some of them.`;
        return true;
      }
      this.anew(Number(row.dataset.index));
      return true;
    }

    enter(row) {
      if (!row?.dataset.url) return;
      if (row.dataset.folder) this.fold(row, row.dataset.folder !== "open");
      else location.assign(row.dataset.url);
    }

    pick(row) {
      const number = row?.dataset.number;
      if (number === undefined) return;
      if (this.picked.has(number)) {
        this.picked.get(number).remove();
        this.picked.delete(number);
      } else if (this.picked.size < MOST_PICKED) {
        const field = document.createElement("input");
        field.type = "hidden";
        field.name = "pick";
        field.value = number;
        this.form.append(field);
        this.picked.set(number, field);
      }
      document.getElementById("picked").textContent = this.picked.size ? `${this.picked.size} ticked` : "";
      this.draw();
    }

    above() {
      const level = Number(this.row()?.getAttribute("aria-level"));
      for (let index = this.at - 1; index >= 0; index -= 1) {
        const row = this.chunks.get(Math.floor(index / CHUNK))?.[index % CHUNK];
        if (!row) return;
        if (Number(row.getAttribute("aria-level")) < level) {
          this.move(index);
          return;
        }
      }
    }

    key(event) {
      if (event.altKey || event.ctrlKey || event.metaKey) return;
      const page = Math.max(1, Math.floor(this.height / this.high) - 1);
      const steps = {
        ArrowDown: () => this.move(this.at + 1),
        ArrowUp: () => this.move(this.at - 1),
        PageDown: () => this.move(this.at + page),
        PageUp: () => this.move(this.at - page),
        Home: () => this.move(0),
        End: () => this.move(this.total - 1),
        ArrowRight: () => {
          if (!this.fold(this.row(), true) && this.row()?.dataset.folder === "open") this.move(this.at + 1);
        },
        ArrowLeft: () => {
          if (!this.fold(this.row(), false)) this.above();
        },
        Enter: () => this.enter(this.row()),
        " ": () => this.pick(this.row()),
      };
      const step = steps[event.key];
      if (!step) return;
      event.preventDefault();
      step();
    }

    click(event) {
      const row = event.target.closest(".f-row");
      if (!row || row.classList.contains("f-blank")) return;
      this.at = Number(row.dataset.index);
      if (event.target.closest(".f-pick")) this.pick(row);
      else if (event.target.closest(".f-name")) this.enter(row);
      this.draw();
    }
  }

  const begin = () => {
    const place = document.getElementById("tree");
    if (place && !place.dataset.alive) {
      place.dataset.alive = "yes";
      new Tree(place);
    }
  };

  /* Once the files are listed anew, the page is asked for again: every number means another row. */
  const listed = (event) => {
    const part = event.target;
    const tree = document.getElementById("tree");
    const now = document.getElementById("listing")?.dataset.listed;
    if (part?.id === "listing" && now && now !== (tree?.dataset.generation || "")) location.reload();
  };

  if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", begin);
  else begin();
  document.addEventListener("htmx:afterSettle", (event) => {
    begin();
    listed(event);
  });
})();
