/* The drawn sheet: one canvas over the map for terrain, boundary, bays, posts and findings. */
(function (geofence) {
  "use strict";

  const { style, drawPost, drawFinding, strokeBay, postLook, Runs, Room } = geofence;
  const { worse, atLeast, clip, segmentDistance } = geofence;
  const PIECE_PX = 2; // bays shorter than this on screen are drawn together, in the colour of the worst of them
  const LEAST_OVER_PX = 8; // what must not be built is never drawn shorter than this
  const DOTS_FROM_PX = 5; // of post spacing: from here line posts are drawn,
  const SHAPES_FROM_PX = 14; // from here at full size,
  const NAMES_FROM_PX = 54; // from here with their names
  const WIDTHS_FROM_PX = 150; // and bays with their widths
  const FINDING_OFFSET_PX = 17;

  const Sheet = L.Renderer.extend({
    options: { padding: 0.15, pane: "overlayPane" },

    initialize(plan, terrain) {
      L.Renderer.prototype.initialize.call(this, {});
      this.plan = plan;
      this.terrain = terrain; // {image, west, east, north, south, opacity} in world pixels, or null
      this.runs = new Runs(plan);
      this.zones = new geofence.Zones(plan);
      this.gates = new geofence.Gates(plan);
      this.survey = plan.shot ? new geofence.Survey(plan.shot) : null;
      this.contours = terrain && terrain.contours ? new geofence.Contours(terrain.contours, terrain) : null;
      this.legs = plan.legs.number.map((number, row) => this.readLeg(number, row));
      this.shown = new Set();
      this.picked = null; // {part, row}
      this.drawn = {};
      this.marks = [];
    },

    readLeg(number, row) {
      const legs = this.plan.legs;
      const [ax, ay] = geofence.project(legs.lon_from_deg[row], legs.lat_from_deg[row]);
      const [bx, by] = geofence.project(legs.lon_to_deg[row], legs.lat_to_deg[row]);
      const [distance, bearing] = [legs.ground_distance_m[row].toFixed(2), geofence.bearing(legs.bearing_deg[row], 2)];
      const whose = this.plan.lines.several ? `${legs.line[row]} leg` : "Leg";
      const label = `${whose} ${number} · ${distance} m · ${bearing}°`;
      return { row, ax, ay, bx, by, label };
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
      const size = this._bounds.getSize();
      return {
        scale,
        left: corner.x,
        top: corner.y,
        width: size.x,
        height: size.y,
        spacingPx: (this.plan.system.module_m / this.plan.metresPerWorldPixel) * scale,
        pxPerMetre: scale / this.plan.metresPerWorldPixel,
      };
    },

    runsIn(frame, marginPx) {
      const at = (pixel, corner) => (pixel + corner) / frame.scale;
      return this.runs.within(
        at(-marginPx, frame.left), at(-marginPx, frame.top),
        at(frame.width + marginPx, frame.left), at(frame.height + marginPx, frame.top),
      );
    },

    draw() {
      const started = performance.now();
      const context = this._context;
      const ratio = window.devicePixelRatio || 1;
      const frame = this.frame();
      context.setTransform(ratio, 0, 0, ratio, 0, 0);
      context.clearRect(0, 0, frame.width, frame.height);
      this.room = new Room();
      this.drawn = { pieces: 0, posts: 0, findings: 0, labels: [] };
      this.marks = [];
      const runs = this.runsIn(frame, 40);
      if (this.shown.has("terrain") && this.terrain) this.drawTerrain(context, frame);
      if (this.shown.has("contours") && this.contours) this.drawn.contours = this.contours.draw(context, frame);
      if (this.shown.has("zones")) this.drawn.zones = this.zones.draw(context, frame);
      if (this.shown.has("survey") && this.survey) this.drawn.survey = this.survey.draw(context, frame);
      if (this.shown.has("boundary")) this.drawBoundary(context, frame);
      if (this.shown.has("bays")) this.drawn.leaves = this.gates.draw(context, frame);
      if (this.shown.has("bays")) this.drawBays(context, frame, runs);
      if (this.shown.has("posts")) this.drawPosts(context, frame, runs);
      if (this.shown.has("findings")) this.drawFindings(context, frame);
      this.drawPicked(context, frame);
      this.drawLabels(context, frame, runs);
      this.drawn.ms = performance.now() - started;
    },

    drawTerrain(context, frame) {
      const { image, west, east, north, south, opacity } = this.terrain;
      if (!image.complete || !image.naturalWidth) return;
      const perX = image.naturalWidth / (east - west);
      const perY = image.naturalHeight / (south - north);
      // Only the part in view: a whole picture at zoom 24 would be millions of pixels wide.
      const from = {
        left: Math.max(0, Math.floor((frame.left / frame.scale - west) * perX) - 1),
        top: Math.max(0, Math.floor((frame.top / frame.scale - north) * perY) - 1),
        right: Math.min(image.naturalWidth, Math.ceil(((frame.left + frame.width) / frame.scale - west) * perX) + 1),
        bottom: Math.min(image.naturalHeight, Math.ceil(((frame.top + frame.height) / frame.scale - north) * perY) + 1),
      };
      const [width, height] = [from.right - from.left, from.bottom - from.top];
      if (width <= 0 || height <= 0) return;
      context.globalAlpha = opacity;
      context.imageSmoothingEnabled = true;
      context.imageSmoothingQuality = "medium";
      context.drawImage(
        image, from.left, from.top, width, height,
        (west + from.left / perX) * frame.scale - frame.left, (north + from.top / perY) * frame.scale - frame.top,
        (width / perX) * frame.scale, (height / perY) * frame.scale,
      );
      context.globalAlpha = 1;
    },

    legEnds(leg, frame) {
      return [
        leg.ax * frame.scale - frame.left, leg.ay * frame.scale - frame.top,
        leg.bx * frame.scale - frame.left, leg.by * frame.scale - frame.top,
      ];
    },

    drawBoundary(context, frame) {
      // Only what is in view: dashes along a leg of kilometres cost as much as the leg is long on screen.
      const stretches = [];
      for (const leg of this.legs) {
        const ends = this.legEnds(leg, frame);
        const seen = clip(...ends, frame.width, frame.height, 30);
        if (seen) stretches.push({ seen, hidden: Math.hypot(seen[0] - ends[0], seen[1] - ends[1]) });
      }
      const trace = ([ax, ay, bx, by]) => {
        context.moveTo(ax, ay);
        context.lineTo(bx, by);
      };
      context.lineCap = "round";
      context.beginPath();
      for (const { seen } of stretches) trace(seen);
      context.strokeStyle = style.BOUNDARY_BAND;
      context.lineWidth = 17;
      context.stroke();
      context.lineCap = "butt";
      context.strokeStyle = style.BOUNDARY;
      context.lineWidth = 1.3;
      context.setLineDash([12, 4, 2, 4]);
      for (const { seen, hidden } of stretches) {
        context.beginPath();
        context.lineDashOffset = hidden % 22;
        trace(seen);
        context.stroke();
      }
      context.setLineDash([]);
      context.lineDashOffset = 0;
      this.drawVertices(context, frame);
    },

    drawVertices(context, frame) {
      let last = [-Infinity, -Infinity];
      for (const leg of this.legs) {
        const [ax, ay, bx, by] = this.legEnds(leg, frame);
        for (const [x, y] of [[ax, ay], [bx, by]]) {
          const off = x < -9 || y < -9 || x > frame.width + 9 || y > frame.height + 9;
          if (off || Math.hypot(x - last[0], y - last[1]) < 22) continue;
          last = [x, y];
          context.beginPath();
          context.arc(x, y, 8.5, 0, 2 * Math.PI);
          context.lineWidth = 1.2;
          context.strokeStyle = style.BOUNDARY;
          context.stroke();
        }
      }
    },

    /** Bays as pieces of line of at least PIECE_PX, gathered by colour, the worst on top. */
    drawBays(context, frame, runs) {
      const { x, y } = this.plan.posts;
      const { from, to, colour } = this.plan.bays;
      const { scale, left, top } = frame;
      const lines = new Map();
      for (const run of runs) {
        let [startX, startY, worst] = [NaN, NaN, 0];
        for (let bay = run.first; bay < run.last; bay++) {
          if (Number.isNaN(startX)) {
            startX = x[from[bay]] * scale - left;
            startY = y[from[bay]] * scale - top;
            worst = colour[bay];
          } else worst = worse(worst, colour[bay]);
          const endX = x[to[bay]] * scale - left;
          const endY = y[to[bay]] * scale - top;
          if (Math.abs(endX - startX) + Math.abs(endY - startY) < PIECE_PX && bay < run.last - 1) continue;
          if (!lines.has(worst)) lines.set(worst, []);
          if (worst === style.OVER) lines.get(worst).push(...atLeast(LEAST_OVER_PX, startX, startY, endX, endY));
          else lines.get(worst).push(startX, startY, endX, endY);
          this.drawn.pieces++;
          startX = NaN;
        }
      }
      const width = frame.spacingPx < DOTS_FROM_PX ? 3.4 : frame.spacingPx < SHAPES_FROM_PX ? 4.2 : 5;
      const bestFirst = [...lines.keys()].sort((one, other) => (worse(one, other) === one ? 1 : -1));
      for (const key of bestFirst) {
        const line = lines.get(key);
        strokeBay(context, key, width, (path) => {
          for (let at = 0; at < line.length; at += 4) {
            if (at === 0 || line[at] !== line[at - 2] || line[at + 1] !== line[at - 1]) {
              path.moveTo(line[at], line[at + 1]);
            }
            path.lineTo(line[at + 2], line[at + 3]);
          }
        });
      }
    },

    /** Calls `visit(post, x, y)` once for each post of the runs that is on the canvas. */
    eachPost(frame, runs, marginPx, visit) {
      const { x, y } = this.plan.posts;
      const { from, to } = this.plan.bays;
      const at = (post) => {
        const px = x[post] * frame.scale - frame.left;
        const py = y[post] * frame.scale - frame.top;
        if (px < -marginPx || py < -marginPx || px > frame.width + marginPx || py > frame.height + marginPx) return;
        visit(post, px, py);
      };
      for (const run of runs) {
        for (let bay = run.first; bay < run.last; bay++) {
          at(from[bay]);
          // The last post of a stretch; a ring's last bay ends at its first post, which has had its turn.
          if (to[bay] !== from[bay + 1] && to[bay] > from[bay]) at(to[bay]);
        }
      }
    },

    drawPosts(context, frame, runs) {
      const { kind } = this.plan.posts;
      const { post_width_m: width, hole_diameter_m: hole } = this.plan.system;
      const full = frame.spacingPx >= SHAPES_FROM_PX;
      const special = [];
      context.beginPath();
      this.eachPost(frame, runs, 12, (post, px, py) => {
        if (kind(post) !== "line") special.push([post, px, py]);
        else if (!full && frame.spacingPx >= DOTS_FROM_PX) {
          context.moveTo(px + 1.9, py);
          context.arc(px, py, 1.9, 0, 2 * Math.PI);
          this.drawn.posts++;
        } else if (full) {
          special.push([post, px, py]);
        }
      });
      context.fillStyle = style.INK;
      context.fill();
      if (hole * frame.pxPerMetre > 14) this.drawHoles(context, special, (hole * frame.pxPerMetre) / 2);
      const trueSize = width * frame.pxPerMetre > 2 * style.POSTS.line.radius;
      const scale = full ? 1 : 0.8;
      for (const [post, px, py] of special) {
        if (!full && !this.room.take(px, py, 4, 4)) continue;
        if (trueSize) this.drawPostTrue(context, post, px, py, width * frame.pxPerMetre);
        else drawPost(context, kind(post), px, py, scale);
        this.drawn.posts++;
      }
    },

    drawHoles(context, posts, radius) {
      context.beginPath();
      for (const [, px, py] of posts) {
        context.moveTo(px + radius, py);
        context.arc(px, py, radius, 0, 2 * Math.PI);
      }
      context.fillStyle = "rgba(29, 42, 48, 0.08)";
      context.fill();
      context.strokeStyle = style.INK;
      context.lineWidth = 1;
      context.setLineDash([4, 3]);
      context.stroke();
      context.setLineDash([]);
    },

    /** A post at its true width, square to the fence ahead. */
    drawPostTrue(context, post, px, py, side) {
      const { dx, dy } = this.ahead(post);
      context.save();
      context.translate(px, py);
      context.rotate(Math.atan2(dy, dx));
      context.fillStyle = postLook(this.plan.posts.kind(post)).fill;
      context.strokeStyle = style.INK;
      context.lineWidth = 1.6;
      context.fillRect(-side / 2, -side / 2, side, side);
      context.strokeRect(-side / 2, -side / 2, side, side);
      context.restore();
    },

    /** Unit direction on screen of the fence at a post: of the bay ahead, or of the one behind where it ends. */
    ahead(post) {
      const { x, y, ahead, behind } = this.plan.posts;
      const bay = ahead[post] >= 0 ? ahead[post] : behind[post];
      const [from, to] = [this.plan.bays.from[bay], this.plan.bays.to[bay]];
      const [dx, dy] = [x[to] - x[from], y[to] - y[from]];
      const length = Math.hypot(dx, dy) || 1;
      return { dx: dx / length, dy: dy / length };
    },

    /** The post whose surroundings give a finding its direction. */
    anchor(finding) {
      if (finding.post !== null) return finding.post;
      const bay = finding.bay !== null ? finding.bay : this.plan.bayAt(finding.chainageM, finding.line);
      return this.plan.bays.from[bay];
    },

    /** Findings stand to the right of the fence, beside what they speak of; the worst keep their place. */
    drawFindings(context, frame) {
      const rooms = new Room();
      const marks = [];
      const away = Math.max(FINDING_OFFSET_PX, (this.plan.system.hole_diameter_m * frame.pxPerMetre) / 2 + 12);
      for (const finding of this.plan.findings) {
        if (!finding.placed) continue;
        const fx = finding.x * frame.scale - frame.left;
        const fy = finding.y * frame.scale - frame.top;
        if (fx < -30 || fy < -30 || fx > frame.width + 30 || fy > frame.height + 30) continue;
        const { dx, dy } = this.ahead(this.anchor(finding));
        const [px, py] = [fx - dy * away, fy + dx * away];
        if (rooms.take(px, py, 6, 6)) marks.push({ finding, px, py, fx, fy });
      }
      context.strokeStyle = style.INK;
      context.lineWidth = 1.2;
      context.beginPath();
      for (const { px, py, fx, fy } of marks) {
        context.moveTo(fx, fy);
        context.lineTo(px, py);
      }
      context.stroke();
      for (const mark of marks.reverse()) {
        drawFinding(context, mark.finding.severity, mark.px, mark.py);
        this.room.take(mark.px, mark.py, 9, 9);
      }
      this.marks = marks.reverse();
      this.drawn.findings = marks.length;
    },

    drawPicked(context, frame) {
      if (!this.picked || !["post", "bay", "finding"].includes(this.picked.part)) return;
      const { part, row } = this.picked;
      const { x, y } = this.plan.posts;
      const at = (wx, wy) => [wx * frame.scale - frame.left, wy * frame.scale - frame.top];
      context.lineWidth = 3;
      context.strokeStyle = style.INK;
      context.beginPath();
      if (part === "bay") {
        const [from, to] = [this.plan.bays.from[row], this.plan.bays.to[row]];
        const [ax, ay] = at(x[from], y[from]);
        const [bx, by] = at(x[to], y[to]);
        const reach = 11 / (Math.hypot(bx - ax, by - ay) || 1);
        const [nx, ny] = [(ay - by) * reach, (bx - ax) * reach];
        context.moveTo(ax + nx, ay + ny);
        context.lineTo(bx + nx, by + ny);
        context.lineTo(bx - nx, by - ny);
        context.lineTo(ax - nx, ay - ny);
        context.closePath();
      } else if (part === "post") {
        const [px, py] = at(x[row], y[row]);
        context.arc(px, py, 12, 0, 2 * Math.PI);
      } else {
        const finding = this.plan.findings[row];
        const mark = this.marks.find((known) => known.finding === finding);
        const [px, py] = mark ? [mark.px, mark.py] : at(finding.x, finding.y);
        context.arc(px, py, 13, 0, 2 * Math.PI);
      }
      context.stroke();
    },

    drawLabels(context, frame, runs) {
      if (this.shown.has("posts") && frame.spacingPx >= NAMES_FROM_PX) this.drawNames(context, frame, runs);
      if (this.shown.has("bays") && frame.spacingPx >= WIDTHS_FROM_PX) this.drawWidths(context, frame, runs);
      if (this.shown.has("boundary")) this.drawLegLabels(context, frame);
      if (this.shown.has("zones")) {
        this.zones.label(frame, (text, ...rest) => this.alongLabel(context, text, ...rest));
      }
      if (this.shown.has("survey") && this.survey) {
        this.survey.label(frame, (text, ...rest) => this.label(context, text, ...rest));
      }
      if (this.shown.has("contours") && this.contours) {
        this.contours.label(context, frame, (text, ...rest) => this.label(context, text, ...rest));
      }
    },

    drawNames(context, frame, runs) {
      const radius = Math.max(9, (this.plan.system.hole_diameter_m * frame.pxPerMetre) / 2);
      this.eachPost(frame, runs, 0, (post, px, py) => {
        const { dx, dy } = this.ahead(post);
        const reach = radius + 12;
        this.label(context, this.plan.posts.names.name(post), px + dy * reach * 1.15, py - dx * reach, {
          bold: true,
        });
      });
    },

    drawWidths(context, frame, runs) {
      const { x, y } = this.plan.posts;
      const { from, to, table, kind } = this.plan.bays;
      for (const run of runs) {
        for (let bay = run.first; bay < run.last; bay++) {
          const [ax, ay] = [x[from[bay]] * frame.scale - frame.left, y[from[bay]] * frame.scale - frame.top];
          const [bx, by] = [x[to[bay]] * frame.scale - frame.left, y[to[bay]] * frame.scale - frame.top];
          const [midX, midY] = [(ax + bx) / 2, (ay + by) / 2];
          if (midX < 0 || midY < 0 || midX > frame.width || midY > frame.height) continue;
          const gate = this.gates.of(bay);
          const what = kind(bay) === "gate" ? `gate${gate ? ` ${gate.name}` : ""}` : `gap ${table.gap_max_m.text(bay)} m`;
          this.alongLabel(context, `${table.width_m.text(bay)} m · ${what}`, ax, ay, bx, by, 15, {});
        }
      }
    },

    drawLegLabels(context, frame) {
      for (const leg of this.legs) {
        const [ax, ay, bx, by] = this.legEnds(leg, frame);
        const clipped = clip(ax, ay, bx, by, frame.width, frame.height);
        if (clipped) this.alongLabel(context, leg.label, ...clipped, 30, { fill: style.BOUNDARY, bold: true });
      }
    },

    /** A label along a stretch, beside it where there is room: in the middle of its upper side if it can be. */
    alongLabel(context, text, ax, ay, bx, by, away, look) {
      context.font = this.font(look);
      const width = context.measureText(text).width;
      const length = Math.hypot(bx - ax, by - ay);
      if (length < width + 16) return;
      let angle = Math.atan2(by - ay, bx - ax);
      if (angle > Math.PI / 2 || angle <= -Math.PI / 2) angle += Math.PI;
      const room = (length - width) / length / 2;
      for (const side of [away, -away]) {
        for (const aside of [0, -0.4, 0.4, -0.8, 0.8]) {
          const share = 0.5 + aside * room;
          const px = ax + (bx - ax) * share + Math.sin(angle) * side;
          const py = ay + (by - ay) * share - Math.cos(angle) * side;
          if (this.label(context, text, px, py, { ...look, angle })) return;
        }
      }
    },

    font({ bold }) {
      return `${bold ? "600 " : ""}12px ${style.FONT}`;
    },

    label(context, text, px, py, look) {
      context.font = this.font(look);
      const half = context.measureText(text).width / 2;
      const angle = look.angle || 0;
      const [cos, sin] = [Math.abs(Math.cos(angle)), Math.abs(Math.sin(angle))];
      // A slanted text is given room piece by piece: its upright box would claim far too much.
      const pieces = Math.max(1, Math.round((2 * half) / 24));
      const centres = [];
      for (let piece = 0; piece < pieces; piece++) {
        const along = angle ? -half + (2 * half * (piece + 0.5)) / pieces : 0;
        centres.push([px + along * Math.cos(angle), py + along * Math.sin(angle)]);
      }
      const [halfX, halfY] = angle ? [(half / pieces) * cos + 7 * sin, (half / pieces) * sin + 7 * cos] : [half, 7];
      if (!centres.every(([cx, cy]) => this.room.free(cx, cy, halfX, halfY))) return false;
      for (const [cx, cy] of centres) this.room.put(cx, cy, halfX, halfY);
      context.save();
      context.translate(px, py);
      context.rotate(angle);
      context.textAlign = "center";
      context.textBaseline = "middle";
      context.lineJoin = "round";
      context.lineWidth = 3.5;
      context.strokeStyle = style.HALO;
      context.strokeText(text, 0, 0);
      context.fillStyle = look.fill || style.INK;
      context.fillText(text, 0, 0);
      context.restore();
      this.drawn.labels.push(text);
      return true;
    },

    /** What is at a point of the map's container: {part, row}, or null. Findings before posts before bays. */
    hit(point, touch) {
      const frame = this.frame();
      const place = this._map.containerPointToLayerPoint(point).subtract(this._bounds.min);
      const reach = touch ? 16 : 9;
      const mark = this.marks.find(({ px, py }) => Math.hypot(px - place.x, py - place.y) <= reach + 1);
      if (mark) return { part: "finding", row: mark.finding.row };
      const view = { ...frame, left: frame.left + place.x, top: frame.top + place.y, width: 0, height: 0 };
      const runs = this.runsIn(view, reach);
      const postReach = Math.min(reach, Math.max(3.5, frame.spacingPx * 0.35));
      return (
        (this.shown.has("posts") && this.nearestPost(frame, runs, place, postReach)) ||
        (this.shown.has("bays") && this.nearestBay(frame, runs, place, reach)) ||
        (this.shown.has("survey") && this.survey && this.shotAt(frame, place, reach)) ||
        (this.shown.has("zones") && this.zoneAt(frame, place)) ||
        null
      );
    },

    shotAt(frame, place, reach) {
      const row = this.survey.hit(frame, place, Math.min(reach, 6));
      return row < 0 ? null : { part: "shot", row };
    },

    zoneAt(frame, place) {
      const row = this.zones.hit(frame, place);
      return row < 0 ? null : { part: "zone", row };
    },

    nearestPost(frame, runs, place, reach) {
      let best = null;
      let nearest = Math.max(reach, (this.plan.system.post_width_m * frame.pxPerMetre) / 2);
      this.eachPost(frame, runs, reach, (post, px, py) => {
        const distance = Math.hypot(px - place.x, py - place.y);
        if (distance <= nearest) [best, nearest] = [{ part: "post", row: post }, distance];
      });
      return best;
    },

    nearestBay(frame, runs, place, reach) {
      const { x, y } = this.plan.posts;
      const { from, to } = this.plan.bays;
      let best = null;
      let nearest = reach;
      for (const run of runs) {
        for (let bay = run.first; bay < run.last; bay++) {
          const distance = segmentDistance(
            place.x, place.y,
            x[from[bay]] * frame.scale - frame.left, y[from[bay]] * frame.scale - frame.top,
            x[to[bay]] * frame.scale - frame.left, y[to[bay]] * frame.scale - frame.top,
          );
          if (distance < nearest) [best, nearest] = [{ part: "bay", row: bay }, distance];
        }
      }
      return best;
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
