/* The drawn sheet: one canvas over the map, on which its layers draw. */
(function (geofence) {
  "use strict";

  const DRAWN = ["terrain", "contours", "zones", "survey", "boundary", "bays", "posts", "findings"]; // from the ground up
  const LABELLED = ["posts", "bays", "boundary", "zones", "survey", "contours"]; // who comes first keeps the room
  const FOUND = ["findings", "posts", "bays", "survey", "zones"]; // under a pointer
  const REACH_PX = { mouse: 9, touch: 16 };

  /* A layer has `draw(context, frame, labels)`, which gives what it has drawn in numbers, and may have
     `label(labels, frame)`, `outline(context, frame, row)` and `hit(frame, place, reach)`. */
  const Sheet = L.Renderer.extend({
    options: { padding: 0.15, pane: "overlayPane" },

    /** `terrain` may be null. */
    initialize(plan, terrain) {
      L.Renderer.prototype.initialize.call(this, {});
      this.plan = plan;
      this.runs = new geofence.Runs(plan);
      this.gates = new geofence.Gates(plan);
      const posts = new geofence.Posts(plan);
      this.layers = {
        terrain,
        contours: terrain && terrain.contours ? new geofence.Contours(terrain.contours, terrain) : null,
        zones: new geofence.Zones(plan),
        survey: plan.shot ? new geofence.Survey(plan.shot) : null,
        boundary: new geofence.Boundary(plan),
        bays: new geofence.Bays(plan, this.gates),
        posts,
        findings: new geofence.FindingMarks(plan, posts),
      };
      this.shown = new Set();
      this.picked = null; // {part, row}
      this.drawn = {};
    },

    show(part, shown) {
      if (shown) this.shown.add(part);
      else this.shown.delete(part);
      this.redraw();
    },

    pick(part, row) {
      this.picked = part === null ? null : { part, row };
      this.redraw();
    },

    /** Leaflet's own without `viewreset`: it follows a `moveend`, which has drawn the same view already. */
    getEvents() {
      const { viewreset: _, ...events } = L.Renderer.prototype.getEvents.call(this);
      return { ...events, move: this._onMove };
    },

    _initContainer() {
      this._container = L.DomUtil.create("canvas", "sheet");
      this._container.setAttribute("aria-hidden", "true");
      this._context = this._container.getContext("2d");
    },

    _destroyContainer() {
      this._container.remove();
      this._container = this._context = null;
    },

    /** Leaflet lays the canvas between pixels, where it blurs: at rest it lies on them. */
    _updateTransform(center, zoom) {
      L.Renderer.prototype._updateTransform.call(this, center, zoom);
      if (zoom !== this._zoom || !this._bounds) return;
      const { e: left, f: top } = new DOMMatrixReadOnly(this._container.style.transform);
      if (Math.hypot(left - this._bounds.min.x, top - this._bounds.min.y) < 1.5) {
        L.DomUtil.setPosition(this._container, this._bounds.min);
      }
    },

    _updatePaths() {
      this.redraw();
    },

    _update() {
      if (this._map._animatingZoom && this._bounds) return;
      L.Renderer.prototype._update.call(this);
      const size = this._bounds.getSize();
      const ratio = window.devicePixelRatio || 1;
      const canvas = this._container;
      L.DomUtil.setPosition(canvas, this._bounds.min);
      if (canvas.width !== Math.round(size.x * ratio) || canvas.height !== Math.round(size.y * ratio)) {
        canvas.width = Math.round(size.x * ratio);
        canvas.height = Math.round(size.y * ratio);
        canvas.style.width = `${size.x}px`;
        canvas.style.height = `${size.y}px`;
      }
      this.draw();
    },

    /** While the map is dragged: a new canvas only once the view has left the one there is. */
    _onMove() {
      if (this._map._animatingZoom || !this._bounds || this._map.getZoom() !== this._zoom) return;
      const topLeft = this._map.containerPointToLayerPoint([0, 0]);
      const view = L.bounds(topLeft, topLeft.add(this._map.getSize()));
      if (!this._bounds.contains(view)) this._update();
    },

    redraw() {
      if (this._map && this._context && this._bounds && !this._map._animatingZoom) this.draw();
    },

    /** World pixels to canvas pixels, at the zoom of the canvas. */
    frame() {
      const scale = 2 ** this._zoom;
      const corner = this._map.getPixelOrigin().add(this._bounds.min);
      const { x: width, y: height } = this._bounds.getSize();
      const [insetX, insetY] = [width, height].map((length) => (length * this.options.padding) / (1 + 2 * this.options.padding));
      const view = { west: insetX, north: insetY, east: width - insetX, south: height - insetY }; // what the map shows of the canvas
      const pxPerMetre = scale / this.plan.metresPerWorldPixel;
      const spacingPx = this.plan.system.module_m * pxPerMetre;
      return { scale, left: corner.x, top: corner.y, width, height, view, spacingPx, pxPerMetre };
    },

    /** Runs of bays within a box of the canvas and a margin around it. */
    runsIn({ scale, left, top }, box, marginPx) {
      return this.runs.within(
        (left + box.left - marginPx) / scale, (top + box.top - marginPx) / scale,
        (left + box.right + marginPx) / scale, (top + box.bottom + marginPx) / scale,
      );
    },

    /** The layers that are there and shown, in an order. */
    seen(order) {
      return order.filter((part) => this.layers[part] && this.shown.has(part)).map((part) => this.layers[part]);
    },

    draw() {
      const started = performance.now();
      const context = this._context;
      const ratio = window.devicePixelRatio || 1;
      const frame = this.frame();
      frame.runs = this.runsIn(frame, { left: 0, top: 0, right: frame.width, bottom: frame.height }, 40);
      context.setTransform(ratio, 0, 0, ratio, 0, 0);
      context.clearRect(0, 0, frame.width, frame.height);
      const labels = new geofence.Labels(context);
      this.drawn = { pieces: 0, posts: 0, findings: 0, labels: labels.texts };
      this.layers.findings.forget();
      for (const layer of this.seen(DRAWN)) Object.assign(this.drawn, layer.draw(context, frame, labels));
      this.drawPicked(context, frame);
      for (const layer of this.seen(LABELLED)) layer.label(labels, frame);
      this.drawn.ms = performance.now() - started;
    },

    drawPicked(context, frame) {
      const layer = this.picked && this.layers[`${this.picked.part}s`];
      if (!layer || !layer.outline) return;
      context.lineWidth = 3;
      context.strokeStyle = geofence.style.INK;
      context.beginPath();
      layer.outline(context, frame, this.picked.row);
      context.stroke();
    },

    /** What is at a point of the map's container: {part, row}, or null. */
    hit(point, touch) {
      const frame = this.frame();
      const place = this._map.containerPointToLayerPoint(point).subtract(this._bounds.min);
      const reach = REACH_PX[touch ? "touch" : "mouse"];
      frame.runs = this.runsIn(frame, { left: place.x, top: place.y, right: place.x, bottom: place.y }, reach);
      for (const layer of this.seen(FOUND)) {
        const found = layer.hit(frame, place, reach);
        if (found) return found;
      }
      return null;
    },
  });

  /** One entry of the layer control: a part of the sheet that is drawn while it is on the map. */
  const Part = L.Layer.extend({
    initialize(part) {
      this.part = part;
    },
    onAdd() {
      geofence.onPart(this.part, true);
    },
    onRemove() {
      geofence.onPart(this.part, false);
    },
  });
  geofence.parts = {};
  geofence.part = (part) => (geofence.parts[part] = new Part(part));

  Object.assign(geofence, { Sheet });
})((window.geofence = window.geofence || {}));
