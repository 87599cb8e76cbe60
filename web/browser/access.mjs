// An accessibility checker finds nothing serious, in either look and width.
import assert from 'node:assert/strict';
import { readFile } from 'node:fs/promises';
import { createRequire } from 'node:module';
import test from 'node:test';
import { someAlarm, someSite, sql, unitOf, until, withPage } from './support.mjs';

const axe = await readFile(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const site = await someSite();
const alarm = await someAlarm();
const unit = await unitOf(site);
const [rota] = await sql('select id from rota order by id limit 1');
const live = () => document.documentElement.dataset.live === 'yes';
const whole = () => document.readyState === 'complete';

const pages = [
  { path: '/', ready: live },
  { path: '/?view=place', ready: live },
  { path: `/site/${site.id}`, ready: live },
  ...['/alarms', '/alarms?state=past', '/alarms?view=groups', '/alarms?state=suppressed', '/windows', '/handover', '/alarm-quality', '/conditions', '/conditions/reverse_power', '/polling', '/thresholds', '/thresholds/reverse_power/delay_s', '/backtest', `/regulator/${unit.id}/neutral`, `/regulator/${unit.id}/audit`, `/feeder/${unit.feeder_id}`, '/recipients', '/people', '/password', '/rotas', `/rotas/${rota.id}`, '/reach', '/undelivered'].map((path) => ({ path, ready: whole })),
  ...['/study', `/study?regulator=${unit.id}&a_bandwidth=3`, '/calculators', '/calculators?of=relay&held=120&r=6&x=3&pt=60&ct=200&amperes=100'].map((path) => ({ path, ready: whole })),
  ...(alarm ? [{ path: `/alarms/${alarm.id}`, ready: whole }] : []),
  { path: '/sign-in', ready: whole, anonymous: true },
  { path: '/sign-in/link/used-or-mistyped', ready: whole, anonymous: true, refusals: true },
  { path: '/nothing-is-here', ready: whole, refusals: true },
];

for (const { path, ready, anonymous, refusals } of pages) {
  for (const colorScheme of ['light', 'dark']) {
    for (const width of [1280, 390]) {
      test(`${path.replace(/\d+/, 'N')} is accessible, ${colorScheme} at ${width} px`, async () => {
        await withPage({ colorScheme, viewport: { width, height: 900 }, ...(anonymous && { storageState: undefined }) }, async (page) => {
          await page.goto(path);
          await until(page, ready);
          // Evaluated from outside the page, so the page's own policy stays as strict as it is.
          await page.evaluate(axe);
          const { violations } = await page.evaluate(() => window.axe.run(document, { resultTypes: ['violations'] }));
          const serious = violations
            .filter(({ impact }) => impact === 'serious' || impact === 'critical')
            .map(({ id, help, nodes }) => `${id}: ${help}: ${nodes.slice(0, 3).map((n) => `${n.html.slice(0, 160)} ${n.failureSummary}`).join(' | ')}`);
          assert.deepEqual(serious, []);
          const wide = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
          assert.ok(wide <= 0, `the page is ${wide} px wider than the screen`);
        }, { refusals });
      });
    }
  }
}
