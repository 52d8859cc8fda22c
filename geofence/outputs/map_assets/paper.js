/* The page on paper: map, facts, cautions and legend on its first sheet, the findings with their remedies whole. */
(function (geofence) {
  "use strict";

  const SHEET_PX = 1015; // of A4 held upright, inside its margins, and a little spare
  const [LEAST_MAP_PX, MOST_MAP_PX] = [300, 620];
  const byClass = (name) => document.querySelector(`.${name}`);

  /** Dresses the page for paper. The map takes the room that the rest leaves on the first sheet. */
  geofence.toPaper = function () {
    const [frame, margin, findings] = ["map-frame", "margin", "findings-block"].map(byClass);
    document.documentElement.classList.add("printing");
    // Cautions first: a crew must not have to turn the page for them.
    findings.before(byClass("cautions"), byClass("legend-block"));
    margin.after(findings);
    findings.after(byId("legs"), byClass("about"));
    const heights = [byClass("page"), frame, findings].map((one) => one.getBoundingClientRect().height);
    const [page, map, found] = heights;
    const later = page - findings.offsetTop - found;
    const first = page - map - found - later;
    const together = first + found + later + LEAST_MAP_PX <= SHEET_PX;
    findings.classList.toggle("new-sheet", !together);
    const room = SHEET_PX - first - (together ? found + later : 0);
    frame.style.height = `${Math.round(Math.max(LEAST_MAP_PX, Math.min(MOST_MAP_PX, room)))}px`;
  };

  geofence.toScreen = function () {
    const [frame, margin, findings] = ["map-frame", "margin", "findings-block"].map(byClass);
    document.documentElement.classList.remove("printing");
    findings.classList.remove("new-sheet");
    frame.style.height = "";
    byClass("facts-block").after(findings);
    findings.after(byClass("legend-block"), byClass("cautions"));
    margin.append(byId("legs"), byClass("about"));
  };

  const byId = (id) => document.getElementById(id);
})((window.geofence = window.geofence || {}));
