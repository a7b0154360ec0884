// Tables that sort by a heading, and a field that finds rows. Everything can be read without this.
"use strict";
for (const table of document.querySelectorAll("table.sorts")) {
  const body = table.tBodies[0], heads = [...table.tHead.rows[0].cells];
  heads.forEach((head, place) => {
    head.setAttribute("aria-sort", "none");
    head.tabIndex = 0;
    const sort = () => {
      const up = head.getAttribute("aria-sort") !== "ascending";
      heads.forEach(each => each.setAttribute("aria-sort", "none"));
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const key = row => { const cell = row.cells[place]; return cell.dataset.sort ?? cell.textContent.trim(); };
      const order = (a, b) => {
        const x = key(a), y = key(b);
        if (x === "" || y === "") return (x === "") - (y === "");
        const number = Number(x) - Number(y);
        return (up ? 1 : -1) * (Number.isNaN(number) ? x.localeCompare(y, undefined, {numeric: true}) : number);
      };
      body.append(...[...body.rows].sort(order));
    };
    head.addEventListener("click", sort);
    head.addEventListener("keydown", event => { if (event.key === "Enter") sort(); });
  });
  if (body.rows.length > 8) {
    const find = document.createElement("input");
    find.type = "search"; find.className = "find"; find.placeholder = "find in this table";
    find.setAttribute("aria-label", "find in this table");
    find.addEventListener("input", () => {
      const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
      for (const row of body.rows) {
        const text = row.textContent.toLowerCase();
        row.hidden = !words.every(word => text.includes(word));
      }
    });
    table.parentElement.before(find);
  }
}
