/* The hand on the long-section: pointer, keys and buttons, and its tie to the map. */
(function (geofence) {
  "use strict";

  const { element } = geofence;
  const DRAG_PX = 4;
  const CLOSE_BAYS = 24; // of a stretch on which posts and steps can be read
  const byId = (id) => document.getElementById(id);
  const times = (number) => `× ${Number(number.toPrecision(2))}`;

  class SectionHand {
    /** `link.here(found)` marks a place on the map, or none; `link.open(part, row)` goes there. */
    constructor(plan, link) {
      Object.assign(this, { plan, link });
      this.canvas = byId("section-canvas");
      this.here = byId("section-here");
      this.section = new geofence.Section(plan, this.canvas);
      this.section.onLook = () => this.state();
      this.post = 0; // where the keyboard is
      this.pointers = new Map();
      this.fillHeights();
      this.fillLines();
      this.wireButtons();
      this.wirePointer();
      this.canvas.addEventListener("keydown", (event) => this.key(event));
      this.canvas.setAttribute("aria-valuemax", String(plan.posts.count));
      this.say(0);
      new ResizeObserver(() => this.resize()).observe(this.canvas); // which also draws it for the first time
    }

    resize() {
      this.section.resize();
      this.state();
    }

    fillHeights() {
      const select = byId("section-heights");
      select.append(element("option", { value: "Infinity" }, "as fits"));
      for (const number of [1, 2, 5, 10, 20, 50]) {
        select.append(element("option", { value: String(number) }, times(number)));
      }
      select.addEventListener("change", () => {
        this.section.wanted = Number(select.value);
        this.section.draw();
        this.state();
      });
    }

    /** A choice of lines where there are several: the section shows the chosen one whole. */
    fillLines() {
      const { section } = this;
      const { lines } = section;
      const select = byId("section-line");
      byId("section-lines").hidden = !lines.several;
      if (!lines.several) return;
      select.append(element("option", { value: "-1" }, "all"));
      lines.spans.forEach((span, row) => select.append(element("option", { value: String(row) }, span.name)));
      select.addEventListener("change", () => {
        const span = lines.spans[Number(select.value)];
        section.look(...(span ? [span.from, span.to] : [0, section.lengthM]));
      });
    }

    /** The line that is seen alone, in the choice of lines. */
    tellLine() {
      const { lines, view } = this.section;
      const seen = lines.spans.map((span, row) => [row, span]).filter(([, span]) => span.to > view.from && span.from < view.to);
      byId("section-line").value = String(lines.several && seen.length === 1 ? seen[0][0] : -1);
    }

    wireButtons() {
      const { section } = this;
      const on = (id, act) => byId(id).addEventListener("click", act);
      on("section-in", () => section.zoom(1 / 2));
      on("section-out", () => section.zoom(2));
      on("section-whole", () => section.look(0, section.lengthM));
      on("section-as-map", () => {
        const seen = this.link.inView();
        if (seen) section.look(...seen);
      });
      on("section-fold", () => {
        const body = byId("section-body");
        body.hidden = !body.hidden;
        byId("section-fold").setAttribute("aria-expanded", String(!body.hidden));
      });
    }

    /** States the exaggeration that is drawn, and why if it is not the one asked for. */
    state() {
      const { exaggeration, wanted } = this.section;
      if (!exaggeration) return;
      this.tellLine();
      const short = Number.isFinite(wanted) && exaggeration < wanted;
      byId("section-stated").textContent = `Heights drawn ${times(exaggeration)}${short ? `: ${times(wanted)} does not fit here` : ""}`;
      this.mark(null);
      if (this.section.onMoved) this.section.onMoved();
    }

    /** A line at a post, bay, finding or chainage, here and nowhere else; null takes it away. */
    mark(found) {
      const { section } = this;
      const at = found && (found.chainageM ?? section.chainageOf(found.part, found.row));
      const x = found && !byId("section-body").hidden ? section.x(at) : NaN;
      const seen = x >= section.x(section.view.from) && x <= section.x(section.view.to);
      this.here.hidden = !seen;
      if (seen) this.here.style.transform = `translateX(${x}px)`;
      this.read(found, at);
    }

    read(found, chainageM) {
      byId("section-reading").textContent = found ? this.reading(found, chainageM) : "";
    }

    reading({ part, row }, chainageM) {
      const { posts, bays } = this.plan;
      if (part === "post") {
        const [ground, top, toe] = ["ground_level_m", "top_level_m", "toe_level_m"].map((name) => posts.table[name].text(row));
        const foot = posts.kind(row) === "existing" ? " m; exists already" : `, toe ${toe} m`;
        return `${posts.names.name(row)} at ${this.section.lines.text(chainageM)}: ground ${ground}, top ${top}${foot}`;
      }
      const ground = this.section.ground.at(chainageM).toFixed(2);
      const what = part === "bay" ? `${bays.names.name(row)} at ` : "";
      if (Number.isNaN(chainageM)) return "";
      return `${what}${this.section.lines.text(chainageM)}: ground ${ground} m${part === "bay" ? `, largest gap ${bays.table.gap_max_m.text(row)} m` : ""}`;
    }

    /** Shows a post, bay or finding that was chosen elsewhere. */
    show(part, row, { close = false } = {}) {
      const at = this.section.chainageOf(part, row);
      this.section.picked = { part, row };
      if (part === "post") this.say(row);
      if (!Number.isNaN(at)) this.section.reveal(at, close ? CLOSE_BAYS * this.plan.system.module_m : Infinity);
      this.section.draw();
    }

    wirePointer() {
      const { canvas, section, pointers } = this;
      const place = (event) => event.clientX - canvas.getBoundingClientRect().left;
      let [moved, spread] = [0, 0];
      canvas.addEventListener("pointerdown", (event) => {
        canvas.setPointerCapture(event.pointerId);
        pointers.set(event.pointerId, place(event));
        [moved, spread] = [0, this.spread()];
      });
      canvas.addEventListener("pointermove", (event) => {
        const before = pointers.get(event.pointerId);
        if (before === undefined) {
          this.hover(section.hit(place(event)));
          return;
        }
        if (pointers.size === 1 && moved === 0 && Math.abs(place(event) - before) <= DRAG_PX) return;
        pointers.set(event.pointerId, place(event));
        moved += Math.abs(place(event) - before);
        if (pointers.size > 1) {
          const now = this.spread();
          section.zoom(spread / now, section.chainageAt(this.middle()));
          spread = now;
        } else {
          const metres = (before - place(event)) / section.pxPerMetre;
          section.look(section.view.from + metres, section.view.to + metres);
        }
      });
      const lift = (event) => {
        const alone = pointers.size === 1 && pointers.delete(event.pointerId);
        pointers.delete(event.pointerId);
        spread = this.spread();
        if (!alone || moved || event.type !== "pointerup") return;
        const found = section.hit(place(event));
        if (found) this.link.open(found.part, found.row);
      };
      canvas.addEventListener("pointerup", lift);
      canvas.addEventListener("pointercancel", lift);
      canvas.addEventListener("pointerleave", () => this.hover(null));
      canvas.addEventListener("wheel", (event) => {
        event.preventDefault();
        section.zoom(1.25 ** Math.sign(event.deltaY), section.chainageAt(place(event)));
      }, { passive: false });
    }

    showFindings(shown) {
      this.section.showFindings = shown;
      this.section.draw();
    }

    /** For tests and scripts. */
    hook() {
      const { section, plan, canvas } = this;
      const ready = () => section.width || this.resize();
      return {
        view: () => ({ ...section.view }),
        look: (from, to) => {
          ready();
          section.look(from, to);
        },
        drawn: () => {
          ready();
          return { ...section.drawn, exaggeration: section.exaggeration };
        },
        picked: () => section.picked,
        scale: () => ({ pxPerMetre: section.pxPerMetre, scaleY: section.scaleY }),
        screen: (name) => {
          ready();
          const post = plan.posts.names.row(name);
          const box = canvas.getBoundingClientRect();
          const at = post >= 0 ? section.postM[post] : section.chainageOf("bay", plan.bays.names.row(name));
          return { x: box.left + section.x(at), y: box.top + box.height / 2 };
        },
      };
    }

    spread() {
      const [one, other] = [...this.pointers.values()];
      return other === undefined ? 1 : Math.max(10, Math.abs(one - other));
    }

    middle() {
      const [one, other] = [...this.pointers.values()];
      return (one + other) / 2;
    }

    hover(found) {
      this.mark(found);
      this.link.here(found);
    }

    /** Along the posts by keyboard: what is said of each is what a reader of the drawing sees. */
    key(event) {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const last = this.plan.posts.count - 1;
      const ways = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -10, PageUp: 10, Home: -last, End: last };
      const { section } = this;
      const acts = {
        Enter: () => this.link.open("post", this.post),
        "+": () => section.zoom(1 / 2, section.postM[this.post]),
        "-": () => section.zoom(2, section.postM[this.post]),
        0: () => section.look(0, section.lengthM),
      };
      if (!(event.key in ways) && !(event.key in acts)) return;
      event.preventDefault();
      if (event.key in acts) acts[event.key]();
      else this.step(Math.max(0, Math.min(last, this.post + ways[event.key])));
    }

    step(post) {
      this.say(post);
      this.section.reveal(this.section.postM[post]);
      this.hover({ part: "post", row: post });
    }

    say(post) {
      this.post = post;
      this.canvas.setAttribute("aria-valuenow", String(post + 1));
      this.canvas.setAttribute("aria-valuetext", this.reading({ part: "post", row: post }, this.section.postM[post]));
    }
  }

  Object.assign(geofence, { SectionHand });
})((window.geofence = window.geofence || {}));
