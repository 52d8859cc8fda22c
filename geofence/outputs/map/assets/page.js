/* Puts the page together: map, sheet, margin, and the hook for tests and scripts. */
(function (geofence) {
  "use strict";

  const TWO_COLUMNS_PX = 620; // of map width: from here a popup has room for two columns
  const POPUP_FRAME_PX = 60; // a popup's own frame, and room at both sides of it
  const CLOSE_ZOOM = 22; // from here a post of 50 mm and its neighbours read well
  const OF_THE_FENCE = new Set(["post", "bay", "finding"]); // what the long-section shows too
  const byId = (id) => document.getElementById(id);
  const still = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
  geofence.narrow = window.matchMedia("(max-width: 760px)").matches;

  const readJson = (id) => JSON.parse(byId(id).textContent);
  let parts = () => {};
  geofence.onPart = (part, shown) => parts(part, shown);

  /** A scale bar of black and white fields, true at the middle of the map. */
  const ScaleBar = L.Control.extend({
    options: { position: "bottomleft" },
    onAdd(map) {
      this.box = geofence.element("div", { class: "scale-bar", role: "img" });
      map.on("move", this.fill, this);
      map.whenReady(this.fill, this);
      return this.box;
    },
    onRemove(map) {
      map.off("move", this.fill, this);
    },
    fill() {
      const map = this._map;
      const middle = map.getSize().divideBy(2);
      const [left, right] = [middle.subtract([50, 0]), middle.add([50, 0])].map((point) => map.containerPointToLatLng(point));
      const metresPerPx = left.distanceTo(right) / 100;
      if (!(metresPerPx > 0)) return;
      const most = 150 * metresPerPx;
      const power = 10 ** Math.floor(Math.log10(most));
      const length = [5, 2, 1].find((factor) => factor * power <= most) * power;
      const [scaled, unit] = length >= 1000 ? [length / 1000, "km"] : [length, "m"];
      const text = `${Number(scaled.toPrecision(3))} ${unit}`;
      const width = length / metresPerPx;
      const fields = geofence.element("div", { class: "scale-fields", style: `width:${width.toFixed(1)}px` });
      for (let field = 0; field < 4; field++) fields.append(geofence.element("span", null));
      const numbers = geofence.element("div", { class: "scale-numbers", style: `width:${width.toFixed(1)}px` });
      numbers.append(...["0", String(Number((scaled / 2).toPrecision(3))), text].map((word) => geofence.element("span", null, word)));
      this.box.replaceChildren(numbers, fields);
      this.box.setAttribute("aria-label", `Scale bar of ${text}`);
    },
  });

  geofence.mapOptions = {
    ...(still ? { zoomAnimation: false, fadeAnimation: false, inertia: false } : {}),
    attributionControl: false,
  };

  /** The terrain of the page, or null. */
  function readTerrain(tiles) {
    const image = byId("terrain-picture");
    if (!image) return null;
    const about = readJson("terrain-data");
    const [west, north] = geofence.project(about.west_deg, about.north_deg);
    const [east, south] = geofence.project(about.east_deg, about.south_deg);
    const contours = byId("contour-data") ? readJson("contour-data") : null;
    return new geofence.Terrain(image, { ...about, contours, west, north, east, south, opacity: tiles ? 0.55 : 1 });
  }

  class Page {
    constructor(map, plan, terrain) {
      Object.assign(this, { map, plan, terrain });
      this.sheet = new geofence.Sheet(plan, terrain);
      this.hand = new geofence.SectionHand(plan, this.link());
      this.cursor = L.marker([0, 0], { icon: L.divIcon({ className: "here", iconSize: [18, 18] }), interactive: false, keyboard: false });
      this.popups = new geofence.Popups(plan, this.sheet, (part, row) => this.open(part, row));
      this.popup = L.popup({ closeButton: false, autoPanPaddingTopLeft: [geofence.narrow ? 14 : 56, 14] });
      this.tip = L.tooltip({ direction: "top", offset: [0, -8], className: "tip" });
      this.bounds = L.latLngBounds(this.corners());
    }

    /** The name of what is open: of a post or bay, or a finding's code and place in the list. */
    nameOfOpen() {
      if (!this.map.hasLayer(this.popup) || !this.sheet.picked) return null;
      const { part, row } = this.sheet.picked;
      if (!OF_THE_FENCE.has(part)) return null;
      return part === "finding" ? `finding ${row + 1}` : this.plan[`${part}s`].names.name(row);
    }

    openNamed(name) {
      const finding = Number((/^finding (\d+)$/.exec(name) || [])[1]) - 1;
      if (finding < this.plan.findings.length) this.open("finding", finding);
      for (const part of ["post", "bay"]) {
        const row = this.plan[`${part}s`].names.row(name);
        if (row >= 0) this.open(part, row);
      }
    }

    /** The post at a point of the map, for the tape. */
    postAt(point) {
      const found = this.sheet.hit(point, true);
      if (!found || found.part !== "post") return null;
      return { name: this.plan.posts.names.name(found.row), place: this.plan.postPlace(found.row) };
    }

    /** How the long-section reaches the map. */
    link() {
      return {
        here: (found) => this.point(found),
        open: (part, row) => this.open(part, row),
        inView: () => this.stretchInView(),
      };
    }

    /** Marks on the map what is under the hand on the section: a post, or a place within a bay. */
    point(found) {
      if (!found) {
        this.cursor.remove();
        return;
      }
      const { posts, bays } = this.plan;
      let place = null;
      if (found.part === "post") place = this.plan.postPlace(found.row);
      else {
        const { bayFrom, bayTo } = this.plan.lines;
        const [from, to] = [bays.from[found.row], bays.to[found.row]];
        const share = (found.chainageM - bayFrom[found.row]) / (bayTo[found.row] - bayFrom[found.row] || 1);
        place = this.plan.latLng(posts.x[from] + share * (posts.x[to] - posts.x[from]), posts.y[from] + share * (posts.y[to] - posts.y[from]));
      }
      this.cursor.setLatLng(place).addTo(this.map);
    }

    /** From which chainage to which the fence is seen on the map, or null. */
    stretchInView() {
      const { posts } = this.plan;
      const bounds = this.map.getBounds();
      const [[west, north], [east, south]] = [
        geofence.project(bounds.getWest(), bounds.getNorth()), geofence.project(bounds.getEast(), bounds.getSouth()),
      ];
      let [from, to] = [Infinity, -Infinity];
      for (let post = 0; post < posts.count; post++) {
        if (posts.x[post] < west || posts.x[post] > east || posts.y[post] < north || posts.y[post] > south) continue;
        const at = this.hand.section.postM[post];
        [from, to] = [Math.min(from, at), Math.max(to, at)];
      }
      return to >= from ? [from, to] : null;
    }

    corners() {
      const { x, y } = this.plan.posts;
      let [west, north, east, south] = [Infinity, Infinity, -Infinity, -Infinity];
      const grow = (px, py) => {
        [west, east] = [Math.min(west, px), Math.max(east, px)];
        [north, south] = [Math.min(north, py), Math.max(south, py)];
      };
      for (let post = 0; post < this.plan.posts.count; post++) grow(x[post], y[post]);
      for (const leg of this.sheet.layers.boundary.legs) {
        grow(leg.ax, leg.ay);
        grow(leg.bx, leg.by);
      }
      return [this.plan.latLng(west, south), this.plan.latLng(east, north)];
    }

    fitAll() {
      const roomy = geofence.narrow ? 30 : 56;
      this.map.fitBounds(this.bounds, {
        paddingTopLeft: [roomy, 36],
        paddingBottomRight: [roomy, 48],
        maxZoom: 21,
        animate: false,
      });
    }

    /** Shows a post, bay or finding: moves there, at a zoom at which it can be read, and opens its popup. */
    open(part, row) {
      const finding = part === "finding" ? this.plan.findings[row] : null;
      if (finding && !finding.placed) {
        this.map.closePopup();
        this.fitAll();
        return;
      }
      const place = finding
        ? this.plan.latLng(finding.x, finding.y)
        : part === "post" ? this.plan.postPlace(row) : this.plan.bayPlace(row);
      const zoom = Math.max(this.map.getZoom(), finding ? CLOSE_ZOOM - 1 : CLOSE_ZOOM);
      this.map.setView(place, zoom, { animate: false });
      this.openPopup(part, row, place);
      this.hand.show(part, row, { close: true });
    }

    openPopup(part, row, place) {
      const { x: width, y: height } = this.map.getSize();
      const wide = width >= TWO_COLUMNS_PX && ["post", "bay"].includes(part);
      const content = this.popups[part](row);
      content.classList.toggle("wide", wide);
      // The popup scrolls inside rather than reach out of the map.
      Object.assign(this.popup.options, {
        minWidth: wide ? 452 : Math.min(262, width - POPUP_FRAME_PX),
        maxWidth: wide ? 452 : Math.min(320, width - POPUP_FRAME_PX),
        maxHeight: Math.max(170, Math.min(520, height - 74)),
      });
      this.popup.setLatLng(place).setContent(content);
      this.map.openPopup(this.popup);
      this.addClose();
      geofence.cueScroll(content);
      this.sheet.pick(part, row);
      if (OF_THE_FENCE.has(part)) this.hand.show(part, row);
    }

    /** A button to close the popup: Leaflet's own is a link to nowhere. */
    addClose() {
      const frame = this.popup.getElement();
      if (frame.querySelector(".popup-close")) return;
      const close = () => this.map.closePopup();
      frame.append(geofence.element("button", { type: "button", class: "popup-close", "aria-label": "Close", on: close }, "×"));
    }

    showLeg(row) {
      const leg = this.sheet.layers.boundary.legs[row];
      const ends = [this.plan.latLng(leg.ax, leg.ay), this.plan.latLng(leg.bx, leg.by)];
      this.map.fitBounds(L.latLngBounds(ends), { padding: [50, 50], maxZoom: CLOSE_ZOOM, animate: false });
    }

    wirePointer() {
      const { map, sheet, plan } = this;
      const touch = window.matchMedia("(pointer: coarse)").matches;
      map.on("click", (event) => {
        if (this.measure.active) {
          this.measure.add(event.containerPoint);
          return;
        }
        const found = sheet.hit(event.containerPoint, touch);
        if (!found) return;
        const places = {
          post: () => plan.postPlace(found.row),
          bay: () => plan.bayPlace(found.row),
          finding: () => plan.latLng(plan.findings[found.row].x, plan.findings[found.row].y),
          zone: () => event.latlng,
          shot: () => sheet.layers.survey.place(found.row),
        };
        this.openPopup(found.part, found.row, places[found.part]());
      });
      let asked = false;
      map.on("mousemove", (event) => {
        if (asked) return;
        asked = true;
        window.requestAnimationFrame(() => {
          asked = false;
          this.hover(sheet.hit(event.containerPoint, false), event.latlng);
        });
      });
      map.on("mouseout", () => this.hover(null));
      map.on("popupopen popupclose", ({ type }) => {
        const open = type === "popupopen";
        map.getContainer().classList.toggle("has-popup", open);
        if (open) return;
        sheet.pick(null);
        this.hand.section.pick(null);
      });
    }

    hover(found, place) {
      this.map.getContainer().classList.toggle("on-something", Boolean(found));
      this.hand.mark(found && OF_THE_FENCE.has(found.part) ? found : null);
      if (!found) {
        this.map.closeTooltip(this.tip);
        return;
      }
      this.tip.setLatLng(place).setContent(geofence.element("span", null, this.nameOf(found)));
      this.map.openTooltip(this.tip);
    }

    nameOf({ part, row }) {
      const { plan } = this;
      if (part === "post") return `${plan.posts.names.name(row)} · ${geofence.postLook(plan.posts.kind(row)).word}`;
      const gate = part === "bay" ? this.sheet.gates.of(row) : null;
      if (gate) return `${plan.bays.names.name(row)} · gate ${gate.name}`;
      if (part === "bay") return `${plan.bays.names.name(row)} · gap ${plan.bays.table.gap_max_m.text(row)} m`;
      if (part === "zone") return `${plan.zones[row].name} · ${this.sheet.layers.zones.zones[row].look.word}`;
      if (part === "shot") return `Surveyed point · level ${this.sheet.layers.survey.level(row)} m`;
      const finding = plan.findings[row];
      return `${geofence.style.FINDINGS[finding.severity].word} · ${finding.message}`;
    }

    /** N and P walk through the findings while the map has the focus. */
    wireKeys() {
      this.map.getContainer().addEventListener("keydown", (event) => {
        const way = { n: 1, p: -1 }[event.key.toLowerCase()];
        if (!way || event.ctrlKey || event.metaKey || event.altKey) return;
        event.preventDefault();
        this.findings.step(way);
      });
      document.addEventListener("keydown", (event) => {
        if (event.key === "Escape") this.map.closePopup();
      });
    }

    /** Paper has its own width: page and map are laid out anew for it. */
    wirePrint() {
      let before = null;
      window.addEventListener("beforeprint", () => {
        before = { centre: this.map.getCenter(), zoom: this.map.getZoom() };
        const bounds = this.map.getBounds();
        this.map.closeTooltip(this.tip);
        this.findings.unroll();
        geofence.toPaper();
        this.hand.resize();
        this.map.invalidateSize({ animate: false, pan: false });
        this.map.fitBounds(bounds, { animate: false });
      });
      window.addEventListener("afterprint", () => {
        geofence.toScreen();
        this.hand.resize();
        this.map.invalidateSize({ animate: false, pan: false });
        if (before) this.map.setView(before.centre, before.zoom, { animate: false });
      });
    }

    start() {
      const { map, sheet } = this;
      parts = (part, shown) => {
        sheet.show(part, shown);
        if (this.legend) this.legend.show(part, shown);
        if (part === "findings") this.hand.showFindings(shown);
      };
      for (const part of geofence.waiting) parts(part, true);
      this.fitAll();
      sheet.addTo(map);
      geofence.fillTitle(this.plan);
      this.legend = new geofence.Legend(this.plan, this.terrain);
      this.findings = new geofence.FindingsList(this.plan, (part, row) => this.open(part, row));
      geofence.fillLegs(this.plan, (row) => this.showLeg(row));
      geofence.wireGoTo(this.plan, (part, row) => this.open(part, row), () => map.closePopup());
      byId("whole-plan").addEventListener("click", () => this.fitAll());
      this.measure = new geofence.Measure(map, this.plan, (point) => this.postAt(point));
      this.wirePointer();
      this.wireKeys();
      this.wirePrint();
      map.addControl(new ScaleBar());
      const picture = this.terrain && this.terrain.image;
      if (picture && !picture.complete) picture.addEventListener("load", () => sheet.redraw());
      new ResizeObserver(() => map.invalidateSize({ pan: false })).observe(map.getContainer());
      this.viewLink = new geofence.ViewLink(this);
      window.matchMedia("print").addEventListener("change", () => sheet.redraw());
    }
  }

  geofence.Plan.prototype.systemSlope = function () {
    return { step: "stepped", stepped: "stepped", rake: "raked", raked: "raked" }[this.system.slope] || this.system.slope;
  };

  // Layers may join the map before the page is put together.
  geofence.waiting = new Set();
  parts = (part, shown) => (shown ? geofence.waiting.add(part) : geofence.waiting.delete(part));

  /** Starts the page on a Leaflet map. */
  geofence.start = function (map, { tiles }) {
    const plan = new geofence.Plan(readJson("plan-data"));
    const page = new Page(map, plan, readTerrain(tiles));
    page.start();
    window.geofenceMap = hook(page);
  };

  /** For tests and scripts: where things are on screen, what is drawn, how to get somewhere. */
  function hook(page) {
    const { map, plan, sheet } = page;
    const part = (name) => ["post", "bay"].find((word) => plan[`${word}s`].names.row(name) >= 0);
    const place = (name) => {
      const kind = part(name);
      const row = plan[`${kind}s`].names.row(name);
      return kind === "post" ? plan.postPlace(row) : plan.bayPlace(row);
    };
    const onScreen = (latLng) => {
      const frame = map.getContainer();
      const box = frame.getBoundingClientRect();
      const point = map.latLngToContainerPoint(latLng);
      return { x: box.left + frame.clientLeft + point.x, y: box.top + frame.clientTop + point.y };
    };
    return {
      map,
      screen: (name) => onScreen(place(name)),
      view: (name, zoom) => map.setView(place(name), zoom, { animate: false }),
      open: (name) => page.open(part(name), plan[`${part(name)}s`].names.row(name)),
      findings: () => plan.findings.map(({ code, word, x, y, placed }) => ({ code, word, placed, place: placed ? plan.latLng(x, y) : null })),
      drawn: () => ({ ...sheet.drawn }),
      section: page.hand.hook(),
      measured: () => page.measure.result(),
      link: () => page.viewLink.text(),
      shown: () => [...sheet.shown].sort(),
      readyMs: performance.now(),
    };
  }
})((window.geofence = window.geofence || {}));
