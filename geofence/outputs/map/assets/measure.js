/* The tape: distance and area on the ground, by pointer or by keyboard. */
(function (geofence) {
  "use strict";

  const { element, style } = geofence;
  const byId = (id) => document.getElementById(id);

  /** Metres or kilometres, square metres or hectares, as a surveyor would read them out. */
  const lengthText = (metres) => (metres < 10000 ? `${metres.toFixed(2)} m` : `${(metres / 1000).toFixed(4)} km`);
  const areaText = (m2) => (m2 < 1e5 ? `${m2.toFixed(1)} m²` : `${(m2 / 1e4).toFixed(4)} ha`);

  /** Whether a closed way crosses itself; `points` are pixels. */
  function crosses(points) {
    const turn = (a, b, c) => Math.sign((b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x));
    const side = (row) => [points[row], points[(row + 1) % points.length]];
    for (let one = 0; one < points.length; one++) {
      for (let other = one + 2; other < points.length; other++) {
        if (one === 0 && other === points.length - 1) continue;
        const [[a, b], [c, d]] = [side(one), side(other)];
        if (turn(a, b, c) * turn(a, b, d) < 0 && turn(c, d, a) * turn(c, d, b) < 0) return true;
      }
    }
    return false;
  }

  class Measure {
    /** `snap(point)` gives {name, place} of a post at a point of the map's container, or null. */
    constructor(map, plan, snap) {
      Object.assign(this, { map, plan, snap });
      this.earth = new geofence.Earth(plan.ground.height_m);
      this.active = false;
      this.points = []; // {place, name}
      this.line = L.polyline([], { color: style.INK, weight: 2.5, dashArray: "7 5", interactive: false });
      this.face = L.polygon([], { stroke: false, fillColor: style.TAPE, fillOpacity: 0.2, interactive: false });
      this.dots = L.layerGroup();
      this.wire();
    }

    wire() {
      byId("measure").addEventListener("click", () => this.toggle());
      byId("measure-undo").addEventListener("click", () => this.undo());
      byId("measure-clear").addEventListener("click", () => this.set([]));
      byId("measure-done").addEventListener("click", () => this.toggle());
      this.map.getContainer().addEventListener("keydown", (event) => {
        if (!this.active || event.target !== this.map.getContainer()) return;
        const acts = {
          Enter: () => this.add(this.map.getSize().divideBy(2)),
          Backspace: () => this.undo(),
          Escape: () => this.toggle(),
        };
        if (!acts[event.key]) return;
        event.preventDefault();
        acts[event.key]();
      });
    }

    toggle() {
      this.active = !this.active;
      byId("measure").setAttribute("aria-pressed", String(this.active));
      byId("measure-panel").hidden = !this.active;
      this.map.getContainer().classList.toggle("measuring", this.active);
      for (const layer of [this.face, this.line, this.dots]) {
        if (this.active) layer.addTo(this.map);
        else layer.remove();
      }
      if (this.active) {
        this.map.closePopup();
        this.map.doubleClickZoom.disable();
      } else this.map.doubleClickZoom.enable();
      this.set(this.active ? this.points : []);
    }

    /** A point where the map was touched, on a post if one is there. */
    add(containerPoint) {
      const post = this.snap(containerPoint);
      const place = post ? post.place : this.map.containerPointToLatLng(containerPoint);
      this.set([...this.points, { place, name: post && post.name }]);
    }

    undo() {
      this.set(this.points.slice(0, -1));
    }

    set(points) {
      this.points = points;
      const places = points.map(({ place }) => place);
      this.line.setLatLngs(places);
      this.face.setLatLngs(places.length > 2 ? places : []);
      this.dots.clearLayers();
      for (const place of places) {
        L.circleMarker(place, { radius: 4.5, color: style.INK, weight: 2, fillColor: style.PAPER, fillOpacity: 1, interactive: false }).addTo(this.dots);
      }
      this.tell();
      if (this.onChange) this.onChange();
    }

    result() {
      const places = this.points.map(({ place }) => place);
      const stretches = places.slice(1).map((place, row) => this.earth.distance(places[row], place));
      const distanceM = stretches.reduce((sum, metres) => sum + metres, 0);
      const closing = places.length > 2 ? this.earth.distance(places[places.length - 1], places[0]) : 0;
      return {
        distanceM,
        lastM: stretches[stretches.length - 1] || 0,
        perimeterM: distanceM + closing,
        areaM2: places.length > 2 ? this.earth.area(places) : null,
        crossed: places.length > 3 && crosses(places.map((place) => this.map.project(place, 22))),
      };
    }

    tell() {
      const { distanceM, lastM, perimeterM, areaM2, crossed } = this.result();
      const count = this.points.length;
      const lines = [];
      if (count < 2) lines.push(count ? "One point set. Set the next." : "Click the map to set points; a click near a post takes the post.");
      else {
        const last = count > 2 ? `, the last stretch ${lengthText(lastM)}` : "";
        lines.push(`Distance ${lengthText(distanceM)}${last}`);
      }
      if (areaM2 !== null) {
        lines.push(crossed ? "The way crosses itself: no area" : `Area ${areaText(areaM2)}, all round ${lengthText(perimeterM)}`);
      }
      byId("measure-result").replaceChildren(...lines.map((line) => element("span", null, line)));
      byId("measure-undo").disabled = byId("measure-clear").disabled = !count;
      const { height_m: heightM } = this.plan.ground;
      const scale = this.earth.scale(this.plan.posts.latDeg.value(0)).toFixed(7);
      byId("measure-scale").textContent =
        `Horizontal, at the ground's mean height of ${heightM.toFixed(0)} m above the ellipsoid (× ${scale} of its own). ` +
        `Distances in the grid are × ${this.plan.grid.combined_factor} of these.`;
    }
  }

  Object.assign(geofence, { Measure });
})((window.geofence = window.geofence || {}));
