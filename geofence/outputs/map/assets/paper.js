/* The page on paper: map, cautions and legend on its first sheet, then the findings, whole and with their remedies. */
(function (geofence) {
  "use strict";

  const SHEET_PX = 1015; // of A4 held upright, inside its margins, and a little spare
  const [LEAST_MAP_PX, MOST_MAP_PX] = [260, 640];
  const FEW_FINDINGS_PX = 620; // that leave the second sheet room for the section
  const byId = (id) => document.getElementById(id);
  const byClass = (name) => document.querySelector(`.${name}`);
  const parts = () => ["map-frame", "section-frame", "margin", "findings-block"].map(byClass);

  /** Dresses the page for paper. The map takes the room that the rest leaves on the first sheet. */
  geofence.toPaper = function () {
    const [frame, section, margin, findings] = parts();
    document.documentElement.classList.add("printing");
    // Cautions first: a crew must not have to turn the page for them.
    findings.before(byClass("cautions"), byClass("legend-block"));
    margin.after(findings);
    findings.after(byId("legs"), byClass("about"));
    section.classList.toggle("folded", byId("section-body").hidden);
    const height = (one) => one.getBoundingClientRect().height;
    const before = height(frame) + height(section) + height(margin) + height(byClass("title"));
    const after = height(byClass("page")) - before;
    let room = SHEET_PX - before + height(frame);
    if (room - after >= LEAST_MAP_PX) room -= after;
    else {
      const beside = height(findings) <= FEW_FINDINGS_PX;
      // The section turns the page with few findings: a second sheet is not left empty.
      if (beside) {
        room += height(section);
        findings.before(section);
      }
      (beside ? section : findings).classList.add("new-sheet");
      findings.classList.add("on-second");
    }
    frame.style.height = `${Math.round(Math.max(LEAST_MAP_PX, Math.min(MOST_MAP_PX, room)))}px`;
  };

  geofence.toScreen = function () {
    const [frame, section, margin, findings] = parts();
    document.documentElement.classList.remove("printing");
    for (const one of [section, findings]) one.classList.remove("new-sheet", "on-second", "folded");
    frame.style.height = "";
    frame.after(section);
    byClass("facts-block").after(findings);
    findings.after(byClass("legend-block"), byClass("cautions"));
    margin.append(byId("legs"), byClass("about"));
  };
})((window.geofence = window.geofence || {}));
