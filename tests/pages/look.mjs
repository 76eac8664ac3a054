// The morning's pages in headless Chromium.
//
//     node tests/pages/look.mjs FOLDER [SHOTS]
//
// FOLDER has one folder of pages each; they are read from the disk and from a server with the strictest policy.
// SHOTS takes pictures for people to look at. Ends with 1 where anything is wrong. tests/pages/run sets it up.

import { createServer } from "node:http";
import { readFileSync, readdirSync, statSync, existsSync, mkdirSync } from "node:fs";
import { join, extname, normalize } from "node:path";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";

const require = createRequire(join(process.env.YARDTAP_NPM ?? process.cwd(), "package.json"));
const puppeteer = require("puppeteer-core");
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");

const [folder, shots] = process.argv.slice(2);
const failures = [];
let checks = 0;

const check = (holds, what) => {
  checks += 1;
  if (!holds) {
    failures.push(what);
    console.log(`FAILED  ${what}`);
  }
};

// What the gateway's pages say with every answer.
const POLICY =
  "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src data:; base-uri 'none'; " +
  "form-action 'self'; frame-ancestors 'none'";
const KINDS = {
  ".html": "text/html; charset=utf-8", ".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8",
  ".csv": "text/csv; charset=utf-8", ".pdf": "application/pdf", ".json": "application/json",
};

const serve = (root) =>
  new Promise((resolve) => {
    const server = createServer((request, response) => {
      const path = join(root, normalize(decodeURIComponent(new URL(request.url, "http://x/").pathname)));
      if (!existsSync(path) || !statSync(path).isFile()) {
        response.writeHead(404).end();
        return;
      }
      response.writeHead(200, {
        "content-type": KINDS[extname(path)] ?? "application/octet-stream",
        "content-security-policy": POLICY,
        "x-content-type-options": "nosniff",
      });
      response.end(readFileSync(path));
    });
    server.listen(0, "127.0.0.1", () => resolve(server));
  });

const files = (root, below = "") =>
  readdirSync(join(root, below), { withFileTypes: true }).flatMap((entry) => {
    const name = below ? `${below}/${entry.name}` : entry.name;
    return entry.isDirectory() ? files(root, name) : [name];
  });

const browser = await puppeteer.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--force-color-profile=srgb"],
});

// A page that tells what went wrong in it and what it asked for.
const open = async (url, { width = 1200, height = 900, scheme = "light", script = true } = {}) => {
  const page = await browser.newPage();
  const troubles = [];
  page.on("console", (message) => {
    if (["error", "warn"].includes(message.type())) troubles.push(message.text());
  });
  page.on("pageerror", (error) => troubles.push(String(error)));
  page.on("requestfailed", (request) => troubles.push(`${request.url()}: ${request.failure()?.errorText}`));
  const asked = [];
  page.on("request", (request) => asked.push(request.url()));
  await page.setJavaScriptEnabled(script);
  await page.setViewport({ width, height });
  await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: scheme }]);
  await page.goto(url, { waitUntil: "load" });
  return { page, troubles, asked };
};

const judged = async (page, what) => {
  // The policy holds for the page's own scripts; the check's are put in past it.
  await page.evaluate(axe);
  const found = await page.evaluate(() =>
    window.axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }),
  );
  check(found.passes.length > 10, `${what}: axe looked at it`);
  for (const one of found.violations) {
    const where = one.nodes.slice(0, 2).map((node) => `${node.target.join(" ")} (${node.failureSummary})`).join("; ");
    const serious = ["serious", "critical"].includes(one.impact);
    console.log(`${serious ? "" : "note    "}${what}: axe: ${one.impact} ${one.id}: ${one.nodes.length} × ${where}`);
    check(!serious, `${what}: axe: ${one.id}`);
  }
};

const fits = async (page, what) => {
  const over = await page.evaluate(() => {
    const room = document.documentElement.clientWidth;
    if (document.documentElement.scrollWidth <= room) return null;
    const wide = [...document.querySelectorAll("body *")].filter(
      (one) => one.getBoundingClientRect().right > room + 1 && !one.closest(".wide, pre"),
    );
    return `${document.documentElement.scrollWidth} > ${room}: ${wide.slice(0, 3).map((one) => one.outerHTML.slice(0, 90)).join(" | ")}`;
  });
  check(over === null, `${what}: no scrolling sideways (${over})`);
};

const tables = async (page, what) => {
  const told = await page.evaluate(() => {
    const wrong = [];
    let sorted = 0;
    for (const table of document.querySelectorAll("figure.table table")) {
      const heads = [...table.tHead.rows[0].cells];
      heads.forEach((head, column) => {
        const button = head.querySelector("button");
        if (!button) {
          wrong.push(`no button in ${head.textContent}`);
          return;
        }
        for (const order of [0, 1]) {
          button.click();
          const way = head.getAttribute("aria-sort");
          if (!["ascending", "descending"].includes(way)) wrong.push(`${head.textContent}: aria-sort ${way}`);
          if (heads.filter((one) => one.hasAttribute("aria-sort")).length !== 1) wrong.push("several sorted");
          const cells = [...table.tBodies[0].rows].map((row) => row.cells[column]);
          const missing = cells.map((cell) => cell.classList.contains("missing"));
          if (missing.some((one, index) => one && missing.slice(index).some((after) => !after))) wrong.push("missing not last");
          const numbers = cells.filter((cell) => cell.dataset.k !== undefined).map((cell) => Number(cell.dataset.k));
          if (numbers.some(Number.isNaN)) wrong.push(`${head.textContent}: NaN`);
          const sign = way === "ascending" ? 1 : -1;
          if (numbers.length === cells.filter((cell) => !cell.classList.contains("missing")).length
            && numbers.some((number, index) => index > 0 && sign * (number - numbers[index - 1]) < 0)) {
            wrong.push(`${head.textContent}: not in order`);
          }
          sorted += order;
        }
      });
    }
    return { wrong, sorted };
  });
  check(told.wrong.length === 0, `${what}: tables sort: ${told.wrong.slice(0, 3).join("; ")}`);
  return told.sorted;
};

let sorted = 0;
for (const name of readdirSync(folder)) {
  const root = join(folder, name);
  if (!statSync(root).isDirectory()) continue;
  const all = files(root);
  const pages = all.filter((file) => file.endsWith(".html"));
  check(pages.length > 3, `${name}: there are pages`);
  // One vehicle's page stands for all of them in the slow checks.
  const few = pages.filter((file) => !file.startsWith("vehicle/")).concat(pages.filter((file) => file.startsWith("vehicle/")).slice(0, 2));
  const server = await serve(root);
  const base = `http://127.0.0.1:${server.address().port}/`;
  for (const file of few) {
    for (const [from, url] of [["disk", pathToFileURL(join(root, file)).href], ["server", base + file.replaceAll("%", "%25")]]) {
      const what = `${name}/${file} from ${from}`;
      const { page, troubles, asked } = await open(url);
      check(troubles.length === 0, `${what}: ${troubles.slice(0, 3).join("; ")}`);
      const own = from === "disk" ? pathToFileURL(root).href : base;
      const outside = asked.filter((one) => !one.startsWith(own) && !one.startsWith("data:"));
      check(outside.length === 0, `${what}: asked for ${outside[0]}`);
      check(asked.some((one) => one.endsWith("morning.js")) && asked.some((one) => one.endsWith("morning.css")), `${what}: script and stylesheet`);
      if (from === "server") sorted += await tables(page, what);
      check((await page.$$("script:not([src])")).length === 0, `${what}: no script stands inline`);
      // Every link leads somewhere, to its place too.
      const links = await page.evaluate(() => [...document.querySelectorAll("a[href]")].map((link) => link.href?.baseVal ?? link.href));
      for (const link of new Set(links.filter((link) => from === "server"))) {
        const to = new URL(link, url);
        const there = join(root, decodeURIComponent(to.pathname));
        check(existsSync(there), `${what}: ${link} leads nowhere`);
        if (to.hash && existsSync(there)) {
          check(readFileSync(there, "utf8").includes(` id="${decodeURIComponent(to.hash.slice(1))}"`), `${what}: ${link} is no place`);
        }
      }
      await page.close();
    }
    if (name === "hostile" && file !== "index.html") continue;
    for (const scheme of ["light", "dark"]) {
      const { page } = await open(base + file, { scheme });
      await judged(page, `${name}/${file}, ${scheme}`);
      await page.close();
    }
    for (const width of [320, 390, 768]) {
      const { page } = await open(base + file, { width, height: 700 });
      await fits(page, `${name}/${file} at ${width} px`);
      await page.close();
    }
    const { page } = await open(base + file, { script: false });
    const cautions = await page.$eval(".caution", (one) => one.textContent);
    check(cautions.includes("capacitors kill") && cautions.includes("isolation procedure"), `${name}/${file}: cautions`);
    await page.emulateMediaType("print");
    const print = await page.evaluate(() => {
      const seen = (selector) => [...document.querySelectorAll(selector)].some((one) => one.getClientRects().length > 0);
      return { navigation: seen("header nav"), cautions: seen(".caution"), tables: seen("table"), has: document.querySelector("main > section:not(.screen) > figure.table table") !== null };
    });
    check(!print.navigation && print.cautions && (print.tables || !print.has), `${name}/${file}: print: ${JSON.stringify(print)}`);
    await page.close();
  }
  server.close();
}
check(sorted > 20, `${sorted} columns were sorted`);

// The worklist's boxes and the filter of a long table, by keyboard.
{
  const server = await serve(join(folder, "ordinary"));
  const base = `http://127.0.0.1:${server.address().port}/`;
  const { page } = await open(`${base}index.html`);
  const shown = () => page.$$eval(".work > li", (lines) => lines.filter((line) => !line.hidden).length);
  const before = await shown();
  await page.focus(".filter input[type=checkbox]");
  await page.keyboard.press("Space");
  check((await shown()) < before, "a kind of work can be left out");
  await page.keyboard.press("Space");
  check((await shown()) === before, "and brought back");
  await page.goto(`${base}battery-plan.html`);
  await page.focus("figure.table:has(#t-ranking) input[type=search]");
  await page.keyboard.type("207");
  const rows = await page.$$eval("#t-ranking tbody tr", (rows) => rows.filter((row) => !row.hidden).length);
  check(rows === 1, `the filter leaves one row, not ${rows}`);
  await page.focus("#t-ranking th:nth-child(4) button");
  await page.keyboard.press("Enter");
  check((await page.$eval("#t-ranking th:nth-child(4)", (head) => head.getAttribute("aria-sort"))) === "descending", "Enter sorts");
  await page.close();
  if (shots) {
    mkdirSync(shots, { recursive: true });
    const wanted = [["index", 1200], ["battery-plan", 1200], ["heat", 1200], ["overhead", 1200], ["readings", 1200], ["vehicles", 1200], ["queries", 1200], ["data-quality", 1200], ["vehicle/207", 1200]];
    for (const [name] of wanted) {
      for (const [kind, options] of [["light", {}], ["dark", { scheme: "dark" }], ["phone", { width: 390, height: 800 }]]) {
        const { page } = await open(`${base}${name}.html`, options);
        await page.screenshot({ path: join(shots, `${name.replace("/", "-")}-${kind}.png`), fullPage: true });
        await page.close();
      }
    }
    for (const name of ["index", "battery-plan"]) {
      const { page } = await open(`${base}${name}.html`);
      await page.pdf({ path: join(shots, `${name}-print.pdf`), format: "A4", printBackground: false });
      await page.close();
    }
  }
  server.close();
}
await browser.close();
console.log(`${checks} checks, ${failures.length} failed`);
process.exit(failures.length === 0 && checks > 100 ? 0 : 1);
