/* The margin of the sheet: title, findings, legend, legs, cautions, where it comes from. */
(function (geofence) {
  "use strict";

  const { element, style, drawPost, drawFinding, strokeBay } = geofence;
  const LIST_STEP = 100; // findings set into the list at a time

  const byId = (id) => document.getElementById(id);

  function fact(label, value, field) {
    return [element("dt", null, label), element("dd", { "data-field": field }, value)];
  }

  /** A chainage as surveyors write it: kilometres, a plus, metres. */
  geofence.station = function (chainageM, decimals = 2) {
    const rounded = Number(chainageM.toFixed(decimals));
    const km = Math.floor(rounded / 1000);
    return `${km}+${(rounded - 1000 * km).toFixed(decimals).padStart(decimals ? 4 + decimals : 3, "0")}`;
  };

  /** A total and what it is made of: "40: 36 full, 4 gates", a number and its word on one line. */
  function counts(numbers) {
    const total = Object.values(numbers).reduce((sum, number) => sum + number, 0);
    const parts = Object.entries(numbers).map(([kind, number]) => `${number}\u00a0${kind === "gate" && number > 1 ? "gates" : kind}`);
    return parts.length === 1 ? parts[0] : `${total}: ${parts.join(", ")}`;
  }

  function fillTitle(plan) {
    const { summary, grid, system } = plan;
    document.title = `${plan.name} – fence plan`;
    byId("job-name").textContent = plan.name;
    byId("job-system").textContent = `${system.title}, ${system.height_m.toFixed(2)}\u00a0m high, ${plan.systemSlope()}`;
    const code = grid.code ? `${grid.name} (${grid.code})` : grid.name;
    byId("facts").append(
      ...fact("Length on the ground", `${summary.length_m.toFixed(2)} m`, "length_m"),
      ...fact("Posts", String(plan.posts.count), "posts"),
      ...fact("Bays", counts(summary.bays), "bays"),
      ...fact("Level steps", String(summary.steps), "steps"),
      ...fact("Steepest ground", `${summary.steepest_ground_deg.toFixed(1)}°`, "steepest_ground_deg"),
      ...fact("Grid", code, "grid"),
      ...fact("Grid unit", grid.unit, "unit"),
      ...fact("Levels above", grid.level_datum, "level_datum"),
      ...fact("Grid / ground distance", grid.combined_factor, "combined_factor"),
    );
    byId("cautions").append(...plan.cautions.map((caution) => element("li", null, caution)));
    byId("inputs").append(
      ...Object.entries(plan.inputs).map(([name, sum]) =>
        element("li", null, name, " ", element("code", null, sum.slice(0, 12))),
      ),
    );
  }

  /** The list of findings: filtered by severity, walked by keyboard. */
  class FindingsList {
    constructor(plan, open) {
      this.plan = plan;
      this.open = open;
      this.wanted = new Set([0, 1, 2]);
      this.at = -1; // place in the filtered list
      this.list = byId("findings-list");
      this.status = byId("findings-status");
      this.fillFilters();
      this.fill();
      byId("finding-previous").addEventListener("click", () => this.step(-1));
      byId("finding-next").addEventListener("click", () => this.step(1));
      this.list.addEventListener("keydown", (event) => {
        const way = { ArrowDown: 1, ArrowUp: -1 }[event.key];
        if (!way) return;
        event.preventDefault();
        this.step(way, { focus: true });
      });
      byId("findings-more").addEventListener("click", () => this.extend(this.rows + LIST_STEP));
    }

    fillFilters() {
      const box = byId("findings-filters");
      style.FINDINGS.forEach((look, severity) => {
        const count = this.plan.findings.filter((finding) => finding.severity === severity).length;
        const button = element(
          "button",
          { type: "button", class: "filter", "aria-pressed": "true", "data-severity": severity },
          geofence.swatch(20, 20, (context) => drawFinding(context, severity, 10, 10)),
          `${look.word} ${count}`,
        );
        button.addEventListener("click", () => {
          if (!this.wanted.delete(severity)) this.wanted.add(severity);
          button.setAttribute("aria-pressed", String(this.wanted.has(severity)));
          this.fill();
        });
        box.append(button);
      });
    }

    fill() {
      this.filtered = this.plan.findings.filter((finding) => this.wanted.has(finding.severity));
      this.at = -1;
      this.rows = 0;
      this.list.replaceChildren();
      this.extend(LIST_STEP);
      this.reach(0);
      this.tell();
    }

    extend(rows) {
      for (; this.rows < Math.min(rows, this.filtered.length); this.rows++) {
        this.list.append(this.item(this.filtered[this.rows], this.rows));
      }
      const left = this.filtered.length - this.rows;
      byId("findings-more").hidden = left === 0;
      byId("findings-more").textContent = `Show ${Math.min(left, LIST_STEP)} more of ${left}`;
    }

    /** Paper cannot be asked for more: all that are chosen, and how many are not. */
    unroll() {
      this.extend(this.filtered.length);
      const [count, total] = [this.filtered.length, this.plan.findings.length];
      byId("findings-paper").textContent =
        count < total ? `${count} of ${total} findings; the other kinds were switched off.` : "";
    }

    item(finding, place) {
      const part = finding.post !== null ? "posts" : "bays";
      const row = finding.post !== null ? finding.post : finding.bay;
      const where = row === null ? "" : ` · ${this.plan[part].names.name(row)}`;
      const button = element(
        "button",
        { type: "button", class: "finding", tabindex: "-1", "data-code": finding.code, on: () => this.choose(place) },
        geofence.swatch(22, 22, (context) => drawFinding(context, finding.severity, 11, 11)),
        element(
          "span",
          null,
          element("span", { class: `where is-${finding.word}` }, `${style.FINDINGS[finding.severity].word} · ${geofence.stretch(finding)}${where}`),
          element("span", { class: "message" }, finding.message),
          finding.remedy ? element("span", { class: "remedy" }, geofence.sentence(finding.remedy)) : null,
        ),
      );
      return element("li", null, button);
    }

    step(way, { focus = false } = {}) {
      if (!this.filtered.length) return;
      const first = way > 0 ? 0 : this.filtered.length - 1;
      const next = this.at < 0 ? first : (this.at + way + this.filtered.length) % this.filtered.length;
      this.extend(next + 1);
      this.choose(next);
      if (focus) this.list.children[next].firstChild.focus();
    }

    /** Tab stops at one finding of the list; arrow keys lead to the others. */
    reach(place) {
      const before = this.list.querySelector('.finding[tabindex="0"]');
      if (before) before.tabIndex = -1;
      if (this.filtered.length) this.list.children[place].firstChild.tabIndex = 0;
    }

    choose(place) {
      if (this.at >= 0) this.list.children[this.at].firstChild.removeAttribute("aria-current");
      this.at = place;
      this.reach(place);
      const button = this.list.children[place].firstChild;
      button.setAttribute("aria-current", "true");
      // Only the list scrolls, never the page.
      const [top, bottom] = [button.offsetTop, button.offsetTop + button.offsetHeight];
      if (top < this.list.scrollTop) this.list.scrollTop = top;
      if (bottom > this.list.scrollTop + this.list.clientHeight) this.list.scrollTop = bottom - this.list.clientHeight;
      this.tell();
      this.open("finding", this.filtered[place].row);
    }

    tell() {
      const count = this.filtered.length;
      const total = this.plan.findings.length;
      if (!total) this.status.textContent = "Nothing found that needs a look.";
      else if (!count) this.status.textContent = "None of the chosen kinds.";
      else if (this.at < 0) this.status.textContent = `${count} of ${total} listed, worst first`;
      else this.status.textContent = `${this.at + 1} of ${count}: ${this.filtered[this.at].message}`;
      for (const id of ["finding-previous", "finding-next"]) byId(id).disabled = !count;
    }
  }

  /** A small canvas drawn by the same hand as the sheet. */
  geofence.swatch = function (width, height, paint) {
    const canvas = element("canvas", { class: "swatch", "aria-hidden": "true" });
    const ratio = Math.max(2, window.devicePixelRatio || 1);
    [canvas.width, canvas.height] = [width * ratio, height * ratio];
    canvas.style.width = `${width}px`;
    canvas.style.height = `${height}px`;
    const context = canvas.getContext("2d");
    context.scale(ratio, ratio);
    paint(context, width, height);
    return canvas;
  };

  /** The legend: one group a layer, greyed while its layer is off. */
  class Legend {
    constructor(plan, terrain) {
      this.box = byId("legend");
      this.plan = plan;
      if (terrain) this.group("terrain", "Terrain", [this.terrainRow(terrain)]);
      if (terrain && terrain.contours) this.group("contours", "Contours", [this.contourRow(terrain.contours)]);
      if (plan.zones.length) this.group("zones", "Zones", plan.zones.map((zone) => this.zoneRow(zone)));
      if (plan.shot) this.group("survey", "Survey", [this.surveyRow(plan.shot)]);
      this.group("boundary", "Boundary", [this.row(this.boundarySwatch(), "Leg: its number, ground distance, grid bearing")]);
      this.group("bays", "Bays, by largest gap below", this.bayRows());
      this.group("posts", "Posts", this.postRows());
      if (plan.findings.length) this.group("findings", "Findings", this.findingRows());
    }

    group(part, title, rows) {
      this.box.append(
        element("section", { "data-layer": part, style: `--part:${part}` }, element("h3", null, title), element("ul", null, ...rows)),
      );
    }

    row(swatch, text) {
      return element("li", null, swatch, element("span", null, text));
    }

    show(part, shown) {
      const section = this.box.querySelector(`[data-layer="${part}"]`);
      if (section) section.classList.toggle("off", !shown);
    }

    terrainRow(terrain) {
      const tints = terrain.tints.map((tint) => `rgb(${tint.join(",")})`);
      const swatch = geofence.swatch(46, 14, (context, width, height) => {
        const ramp = context.createLinearGradient(0, 0, width, 0);
        tints.forEach((tint, place) => ramp.addColorStop(place / (tints.length - 1), tint));
        context.fillStyle = ramp;
        context.fillRect(0, 0, width, height);
        context.strokeStyle = style.INK;
        context.strokeRect(0.5, 0.5, width - 1, height - 1);
      });
      const heights = terrain.exaggeration > 1 ? `, shaded with heights ×\u00a0${terrain.exaggeration}` : "";
      return this.row(swatch, `${terrain.lowest_m.toFixed(0)} to ${terrain.highest_m.toFixed(0)} m${heights}`);
    }

    contourRow({ interval_m: interval }) {
      const swatch = geofence.swatch(46, 14, (context, width) => {
        context.strokeStyle = style.CONTOUR;
        for (const [y, weight] of [[3, 0.8], [7, 1.5], [11, 0.8]]) {
          context.beginPath();
          context.lineWidth = weight;
          context.moveTo(0, y);
          context.lineTo(width, y);
          context.stroke();
        }
      });
      return this.row(swatch, `every ${interval} m, smoothed: for the eye, not for levels`);
    }

    /** A zone with its reach and where it comes from. */
    zoneRow(zone) {
      const look = style.ZONES[zone.rule] || style.ZONES.consult;
      const swatch = geofence.swatch(46, 16, (context, width, height) => {
        context.fillStyle = look.colour;
        context.globalAlpha = 0.2;
        context.fillRect(0, 0, width, height);
        context.globalAlpha = 1;
        context.lineWidth = 2;
        context.strokeStyle = look.text;
        context.setLineDash(look.dash);
        context.beginPath();
        context.moveTo(0, height / 2);
        context.lineTo(width, height / 2);
        context.stroke();
      });
      const reach = zone.reach_m ? `, ${Number(zone.reach_m.toFixed(3))} m around it` : "";
      return this.row(swatch, `${zone.name}: ${look.word}${reach}. Source: ${zone.source || "none stated"}`);
    }

    surveyRow({ count, reach_m: reach }) {
      const swatch = geofence.swatch(46, 14, (context, width) => {
        context.strokeStyle = style.SURVEY;
        context.lineWidth = 1.2;
        context.beginPath();
        for (const x of [width / 4, width / 2, (3 * width) / 4]) {
          context.moveTo(x - 3.2, 7);
          context.lineTo(x + 3.2, 7);
          context.moveTo(x, 3.8);
          context.lineTo(x, 10.2);
        }
        context.stroke();
      });
      return this.row(swatch, `${count} points of the survey, all those within ${reach} m of the line`);
    }

    boundarySwatch() {
      return geofence.swatch(46, 16, (context, width) => {
        context.strokeStyle = style.BOUNDARY_BAND;
        context.lineWidth = 14;
        context.strokeRect(0, 8, width, 0.01);
        context.strokeStyle = style.BOUNDARY;
        context.lineWidth = 1.3;
        context.setLineDash([12, 4, 2, 4]);
        context.beginPath();
        context.moveTo(0, 8);
        context.lineTo(width, 8);
        context.stroke();
      });
    }

    bayRows() {
      const plan = this.plan;
      const used = new Set(plan.bays.colour);
      const swatch = (colour) =>
        geofence.swatch(46, 16, (context, width) =>
          strokeBay(context, colour, 5, (path) => {
            path.moveTo(0, 8);
            path.lineTo(width, 8);
          }),
        );
      const edges = plan.gap_edges_mm;
      const rows = edges.map((edge, place) => {
        const text = place === 0 ? "no gap" : place === 1 ? `up to ${edge} mm` : `${edges[place - 1]} to ${edge} mm`;
        return this.row(swatch(place), text);
      });
      if (used.has(style.OVER)) rows.push(this.row(swatch(style.OVER), "over a limit or stopped: do not build as it is"));
      if (used.has(style.GATE)) rows.push(this.row(swatch(style.GATE), "gate"));
      if (plan.gates.some(({ ways }) => ways.length)) {
        rows.push(this.row(geofence.swingSwatch(), "a gate's leaf as it opens; where it slides, as it stands open"));
      }
      return rows;
    }

    postRows() {
      const kinds = Object.keys(style.POSTS).filter((kind) => this.plan.summary.posts[kind]);
      return kinds.map((kind) =>
        this.row(
          geofence.swatch(46, 18, (context) => drawPost(context, kind, 23, 9, 1)),
          `${style.POSTS[kind].word}s, ${this.plan.summary.posts[kind]}`,
        ),
      );
    }

    findingRows() {
      return style.FINDINGS.map((look, severity) =>
        this.row(
          geofence.swatch(46, 22, (context) => drawFinding(context, severity, 23, 11)),
          `${look.word}: ${look.meaning}`,
        ),
      );
    }
  }

  function fillLegs(plan, show) {
    const { legs } = plan;
    const body = byId("legs-body");
    byId("legs-line").hidden = !plan.lines.several;
    legs.number.forEach((number, row) => {
      const line = plan.lines.several ? legs.line[row] : "";
      const go = element(
        "button",
        { type: "button", "aria-label": `Show leg ${number}${line && ` of ${line}`}`, on: () => show(row) },
        String(number),
      );
      body.append(
        element(
          "tr",
          null,
          plan.lines.several ? element("td", null, line) : null,
          element("th", { scope: "row" }, go),
          element("td", null, legs.start_m[row].toFixed(2)),
          element("td", null, legs.ground_distance_m[row].toFixed(3)),
          element("td", null, geofence.bearing(legs.bearing_deg[row], 3)),
          element("td", null, legs.deflection_deg[row].toFixed(3)),
        ),
      );
    });
  }

  /** Metres of a chainage as it is typed: 345, 345,2 m, or 0+345.2 (kilometres and metres); NaN for anything else. */
  function chainageOf(text) {
    const match = /^(?:(\d+)\+(?=\d{3}(?!\d)))?(\d+(?:[.,]\d*)?)\s*m?$/i.exec(text.trim());
    return match ? 1000 * Number(match[1] || 0) + Number(match[2].replace(",", ".")) : NaN;
  }

  /** "Go to": the name of a post or bay, or a chainage. */
  function wireGoTo(plan, open, close) {
    const answer = byId("goto-answer");
    const input = byId("goto-input");
    byId("goto").addEventListener("submit", (event) => {
      event.preventDefault();
      const asked = input.value;
      input.removeAttribute("aria-invalid");
      for (const part of ["post", "bay"]) {
        const row = plan[`${part}s`].names.row(asked);
        if (row >= 0) return tell(part, row);
      }
      const gate = plan.gates.find(({ name }) => name.toUpperCase() === asked.trim().toUpperCase());
      if (gate) return tell("bay", gate.bay);
      const place = placeOf(asked);
      if (place !== null) return tell("bay", plan.lines.bayAt(place), place);
      close();
      input.setAttribute("aria-invalid", "true");
      const names = [plan.posts.names.name(0), plan.bays.names.name(0)].join(" or ");
      const lines = plan.lines.spans;
      const how = plan.lines.several
        ? `the name of a line and a chainage on it, as ${lines[0].name} 345`
        : `a chainage from 0 to ${plan.lines.lengthM.toFixed(2)}, as 345 or 0+345`;
      answer.textContent = `Not found. Type a name like ${names}, or ${how}.`;
      return undefined;
    });

    /** The place on the section's axis of a chainage, with the line's name before it where there are several. */
    function placeOf(asked) {
      const text = asked.trim();
      for (const { name, from, to, moved } of plan.lines.spans) {
        const named = name && text.toUpperCase().startsWith(`${name.toUpperCase()} `);
        if (plan.lines.several && !named) continue;
        const place = moved + chainageOf(named ? text.slice(name.length) : text);
        if (place >= from && place <= to) return place;
      }
      return null;
    }

    function tell(part, row, place) {
      const where = place === undefined ? "" : `, which holds ${plan.lines.text(place)}`;
      answer.textContent = `Showing ${plan[`${part}s`].names.name(row)}${where}.`;
      open(part, row);
    }
  }

  Object.assign(geofence, { fillTitle, FindingsList, Legend, fillLegs, wireGoTo });
})((window.geofence = window.geofence || {}));
