/* What opens on a post, a bay or a finding. Texts from files only ever become text nodes. */
(function (geofence) {
  "use strict";

  const { style, postLook } = geofence;
  const NONE = "none";
  const NEAR_ZONES = 3;

  /** An element with attributes (`on` gives its click) and children, strings as text. */
  function element(tag, attributes, ...children) {
    const made = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes || {})) {
      if (name === "on") made.addEventListener("click", value);
      else made.setAttribute(name, value);
    }
    made.append(...children.filter((child) => child !== null));
    return made;
  }

  const shown = (column, row, unit) => (column.has(row) ? `${column.text(row)}${unit && ` ${unit}`}` : NONE);

  /** The unit of a grid as a symbol; `unit` names as PROJ gives them. */
  function gridUnit(unit) {
    return { metre: "m", meter: "m", foot: "ft", "US survey foot": "ftUS", degree: "°" }[unit] || unit;
  }

  /** Rows of the columns that this fence has, where they have a value here. */
  function optional(table, row, fields) {
    const had = fields.filter(([, name]) => table[name] && table[name].has(row));
    return had.map(([label, name, unit]) => [label, unit ? shown(table[name], row, unit) : String(table[name].value(row)), name]);
  }

  function group(title, rows) {
    const list = element("dl", null);
    for (const [label, value, field] of rows) {
      list.append(element("dt", null, label), element("dd", { "data-field": field }, value));
    }
    return element("section", { class: "numbers" }, element("h3", null, title), list);
  }

  /** A text of ours or others as a sentence. */
  const sentence = (text) => (/[.!?]$/.test(text) ? text : `${text}.`);

  function findingLine(finding) {
    return element(
      "li",
      { class: `is-${finding.word}` },
      element("strong", null, style.FINDINGS[finding.severity].word),
      ` ${sentence(finding.message)}${finding.remedy ? ` ${sentence(finding.remedy)}` : ""}`,
    );
  }

  function findingsGroup(findings) {
    if (!findings.length) return null;
    const list = element("ul", { class: "popup-findings", "data-field": "findings" });
    list.append(...findings.map(findingLine));
    return element("section", { class: "numbers" }, element("h3", null, "Findings"), list);
  }

  /** What wires do to a post, where it has any: they pull it up or press it down. */
  function uplift({ uplift_kn: column }, row) {
    if (!column || !column.has(row)) return [];
    const label = column.value(row) < 0 ? "Pressed down by wires" : "Pulled up by wires";
    return [[label, `${column.text(row).replace("-", "")} kN`, "uplift_kn"]];
  }

  /** A finding's value and limit as text, both to as many decimals as the finer of them needs, at most three. */
  function amounts({ value, limit, unit }) {
    const decimals = (number) => (String(Number(number.toFixed(3))).split(".")[1] || "").length;
    const most = Math.max(...[value, limit].filter((number) => number !== null).map(decimals));
    return (number) => `${number.toFixed(most)}${unit && ` ${unit}`}`;
  }

  class Popups {
    constructor(plan, { gates, layers: { zones, survey } }, open) {
      Object.assign(this, { plan, zones, survey, gates });
      this.distances = new geofence.ZoneDistances(plan, zones.zones);
      this.open = open; // open(part, row): shows another part
    }

    /** A post as a crew needs it: what is cut and set first, then levels, then where it stands. */
    post(row) {
      const { posts, grid } = this.plan;
      const { table } = posts;
      const metres = (name) => shown(table[name], row, "m");
      const unit = gridUnit(grid.unit);
      const lonDeg = ((((posts.lonDeg.value(row) + 180) % 360) + 360) % 360) - 180;
      const ends = posts.ahead[row] < 0;
      const exists = posts.kind(row) === "existing";
      const wanted = exists && !(table.stands_top_level_m && table.stands_top_level_m.has(row)); // nobody measured its top
      const toSet = [
        ["Length to order", metres("stock_length_m"), "stock_length_m"],
        ["Length", metres("length_m"), "length_m"],
        [wanted ? "Wanted out of the ground" : "Out of the ground", metres("height_m"), "height_m"],
        ["In the ground", metres("embedment_m"), "embedment_m"],
      ];
      return this.article("post", row, posts, postLook(posts.kind(row)).word, [
        group(exists ? "Stands already: nothing to cut or dig" : "To cut and set", [
          ...toSet.filter(([, , field]) => !exists || field === "height_m"),
          ...uplift(table, row),
          ...optional(table, row, [
            ["Stands left of here, right -", "stands_left_m", "m"],
            ["Stands ahead of here, back -", "stands_ahead_m", "m"],
          ]),
        ]),
        group("Supports, below the top", [
          ["Towards the start", metres("support_back_m"), "support_back_m"],
          ["Towards the end", metres("support_ahead_m"), "support_ahead_m"],
        ]),
        group("Levels", [
          [wanted ? "Wanted top" : "Top", metres("top_level_m"), "top_level_m"],
          ["Ground", metres("ground_level_m"), "ground_level_m"],
          ...(exists ? [] : [["Toe", metres("toe_level_m"), "toe_level_m"]]),
        ]),
        group("Direction", [
          [ends ? "Grid bearing of the bay behind" : "Grid bearing ahead", `${geofence.bearing(table.bearing_deg.value(row), 3)} °`, "bearing_deg"],
          ["Turn here, right +", shown(table.deflection_deg, row, "°"), "deflection_deg"],
        ]),
        group("Where", [
          ...this.line("post", row),
          ["Chainage", metres("chainage_m"), "chainage_m"],
          ...this.met(row),
          ["Easting", shown(posts.easting, row, unit), "easting"],
          ["Northing", shown(posts.northing, row, unit), "northing"],
          ...optional(table, row, [["Nearest surveyed point", "survey_distance_m", "m"]]),
        ]),
        group("On WGS 84", [
          ["Latitude", shown(posts.latDeg, row, "°"), "lat_deg"],
          ["Longitude", `${lonDeg.toFixed(posts.lonDeg.decimals)} °`, "lon_deg"],
        ]),
      ]);
    }

    /** The line, where there are several. */
    line(part, row) {
      const { lines } = this.plan;
      return lines.several ? [["Line", lines.nameOf(part, row), "line"]] : [];
    }

    /** The other lines that a post is of, each with its chainage there. */
    met(row) {
      const met = this.plan.lines.met(row);
      return met.length ? [["Meets", met.join(", "), "meets"]] : [];
    }

    bay(row) {
      const { bays, posts } = this.plan;
      const { table } = bays;
      const metres = (name) => shown(table[name], row, "m");
      const area = (name) => shown(table[name], row, "m²");
      const [from, to] = [posts.names.name(bays.from[row]), posts.names.name(bays.to[row])];
      const gate = this.gates.of(row);
      const kinds = { full: "Full bay", cut: "Cut bay", wire: "Wire bay", gate: gate ? `Gate ${gate.name}` : "Gate" };
      return this.article("bay", row, bays, `${kinds[bays.kind(row)] || "Bay"}, ${from} to ${to}`, [
        group("Bay", [
          ...this.line("bay", row),
          ["Width, centre to centre", metres("width_m"), "width_m"],
          ["Step from the bay before", metres("step_m"), "step_m"],
          ...(gate ? [["Leaves", String(gate.leaves), "leaves"], ["Opens", gate.opens, "opens"]] : []),
          ...optional(table, row, [
            ["Length along the slope", "slope_length_m", "m"],
            ["Ends cut off square by", "cut_angle_deg", "°"],
            ["Wires sag by, at most", "sag_m", "m"],
            ["Droppers", "droppers", ""],
          ]),
        ]),
        group("Against the ground", [
          ["Largest gap", metres("gap_max_m"), "gap_max_m"],
          ["Largest dig", metres("dig_max_m"), "dig_max_m"],
          ["Gap area", area("gap_area_m2"), "gap_area_m2"],
          ["Dig area", area("dig_area_m2"), "dig_area_m2"],
        ]),
        group("Levels", [
          [`Underside at ${from}`, metres("underside_from_m"), "underside_from_m"],
          [`Underside at ${to}`, metres("underside_to_m"), "underside_to_m"],
          [`Top at ${from}`, metres("top_from_m"), "top_from_m"],
          [`Top at ${to}`, metres("top_to_m"), "top_to_m"],
        ]),
      ]);
    }

    /** The numbers of a post or bay, its findings, and ways to its neighbours. */
    article(part, row, table, kind, groups) {
      return element(
        "article",
        { class: "popup", "data-part": part },
        element("h2", { "data-field": part }, table.names.name(row)),
        element("p", { class: "popup-kind", "data-field": "kind" }, kind),
        element("div", { class: "popup-groups" }, ...groups, this.nearZones(part, row)),
        findingsGroup(this.plan.findingsOf(part, row)),
        this.neighbours(part, row, table),
      );
    }

    /** How far the nearest zones are: to what is drawn, as findings and the set-out sheet have it, never rounded up. */
    nearZones(part, row) {
      const near = this.distances.of(part, row).slice(0, NEAR_ZONES);
      if (!near.length) return null;
      return group("Nearest zones, as drawn", near.map(({ zone, told, distanceM }) => {
        const { name, look } = this.zones.zones[zone];
        const amount = told ? distanceM.toFixed(3) : (Math.floor(distanceM * 100 + 0.01) / 100).toFixed(2);
        return [`${name}, ${look.word}`, `${amount} m`, `zone-${zone}`];
      }));
    }

    zone(row) {
      const { name, rule, source, buffer_m: bufferM, limit_m: limitM, reach_m: reachM, look } = this.zones.zones[row];
      const rows = [["Rule", rule, "rule"], ["Buffer round what is drawn", `${bufferM.toFixed(2)} m`, "buffer_m"]];
      if (limitM) rows.push([rule === "setback" ? "Setback from it" : "Limit", `${limitM.toFixed(2)} m`, "limit_m"]);
      if (reachM !== bufferM) rows.push(["Reach in all", `${reachM.toFixed(2)} m`, "reach_m"]);
      return element(
        "article",
        { class: "popup", "data-part": "zone" },
        element("h2", { "data-field": "name" }, name),
        element("p", { class: "popup-kind" }, look.word),
        group("Zone", rows),
        element("p", { class: "popup-message" }, "Source: ", element("span", { "data-field": "source" }, source || "none stated")),
      );
    }

    /** A surveyed point: its level and where it is. */
    shot(row) {
      const { lat, lng } = this.survey.place(row);
      return element(
        "article",
        { class: "popup", "data-part": "shot" },
        element("h2", { "data-field": "level_m" }, `${this.survey.level(row)} m`),
        element("p", { class: "popup-kind" }, "Surveyed point: its level in the ground as used"),
        group("On WGS 84", [["Latitude", `${lat.toFixed(8)} °`, "lat_deg"], ["Longitude", `${lng.toFixed(8)} °`, "lon_deg"]]),
      );
    }

    finding(row) {
      const finding = this.plan.findings[row];
      const look = style.FINDINGS[finding.severity];
      const amount = amounts(finding);
      const rows = [];
      if (finding.chainageM !== null) rows.push(["Chainage", geofence.stretch(finding), "chainage_m"]);
      if (finding.value !== null) rows.push(["Measured", amount(finding.value), "value"]);
      if (finding.limit !== null) rows.push(["Limit", amount(finding.limit), "limit"]);
      return element(
        "article",
        { class: "popup", "data-part": "finding" },
        element("h2", { class: `is-${finding.word}` }, look.word),
        element("p", { class: "popup-kind" }, look.meaning),
        element("p", { class: "popup-message", "data-field": "message" }, sentence(finding.message)),
        finding.remedy ? element("p", { class: "popup-remedy", "data-field": "remedy" }, sentence(finding.remedy)) : null,
        rows.length ? group("Numbers", rows) : null,
        this.subject(finding),
        element("p", { class: "popup-code", "data-field": "code" }, finding.code),
      );
    }

    /** A way from a finding to the post or bay it speaks of. */
    subject(finding) {
      const part = finding.post !== null ? "post" : finding.bay !== null ? "bay" : null;
      if (!part) return null;
      const row = finding[part];
      const name = (part === "post" ? this.plan.posts : this.plan.bays).names.name(row);
      return element(
        "nav",
        { class: "popup-ways" },
        this.way(part, row, `Numbers of ${name}`),
      );
    }

    /** A button that puts another part into the popup. */
    way(part, row, text) {
      const go = (event) => {
        // The button is gone from the page once the popup is filled anew: the map would take the click for its own.
        event.stopPropagation();
        this.open(part, row);
      };
      return element("button", { type: "button", on: go }, text);
    }

    neighbours(part, row, table) {
      const way = (to, text) => this.way(part, to, text(table.names.name(to)));
      return element(
        "nav",
        { class: "popup-ways", "aria-label": `Neighbouring ${part}s` },
        row > 0 ? way(row - 1, (name) => `← ${name}`) : null,
        row + 1 < table.count ? way(row + 1, (name) => `${name} →`) : null,
      );
    }
  }

  /** Says at the popup's lower edge that there is more below, while there is. */
  geofence.cueScroll = function (article) {
    const box = article.parentElement;
    if (box.scrollHeight <= box.clientHeight + 1) return;
    const down = (event) => {
      event.stopPropagation();
      box.scrollBy({ top: box.clientHeight * 0.8 });
    };
    const cue = element("button", { type: "button", class: "popup-more", on: down }, "More below ↓");
    const tell = () => cue.classList.toggle("done", box.scrollTop + box.clientHeight >= box.scrollHeight - 4);
    box.onscroll = tell;
    article.append(cue);
    tell();
  };

  /** The chainage of a finding, or from where to where. */
  geofence.stretch = function (finding) {
    if (finding.chainageM === null) return finding.line || "whole plan";
    const from = `${finding.line && `${finding.line} `}${finding.chainageM.toFixed(2)}`;
    return finding.chainageToM === null ? `${from} m` : `${from} to ${finding.chainageToM.toFixed(2)} m`;
  };

  Object.assign(geofence, { element, gridUnit, sentence, Popups });
})((window.geofence = window.geofence || {}));
