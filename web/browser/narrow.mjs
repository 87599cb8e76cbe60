// A phone: nothing to scroll for sideways, and the whole navigation in sight and in reach, with and without script.
import assert from 'node:assert/strict';
import test from 'node:test';
import { someAlarm, someSite, sql, unitOf, withPage } from './support.mjs';

const site = await someSite();
const alarm = await someAlarm();
const unit = await unitOf(site);
const [rota] = await sql('select id from rota order by id limit 1');
const pages = [
  { path: '/', here: 'Board' },
  { path: '/?view=place', here: 'Board' },
  { path: `/site/${site.id}`, here: 'Board' },
  { path: '/alarms', here: 'Alarms' },
  { path: '/alarms?state=all', here: 'Alarms' },
  { path: '/alarms?view=groups', here: 'Alarms' },
  { path: '/windows', here: 'Maintenance windows' },
  { path: '/handover', here: 'Handover' },
  { path: '/alarm-quality', here: 'Alarm quality' },
  ...['/conditions', '/conditions/tap_spread'].map((path) => ({ path, here: 'Conditions' })),
  ...(alarm ? [{ path: `/alarms/${alarm.id}`, here: 'Alarms' }] : []),
  { path: '/causes', here: 'Causes' },
  { path: '/maintenance', here: 'Maintenance' },
  { path: '/polling', here: 'Polling' },
  { path: '/thresholds', here: 'Thresholds' },
  { path: '/thresholds/not_automatic/delay_s', here: 'Thresholds' },
  { path: '/backtest', here: 'Backtest' },
  { path: `/regulator/${unit.id}/neutral`, here: 'Board' },
  { path: `/regulator/${unit.id}/audit`, here: 'Board' },
  { path: `/feeder/${unit.feeder_id}`, here: 'Board' },
  { path: '/recipients', here: 'Recipients' },
  { path: '/people', here: 'People' },
  { path: '/rotas', here: 'Rotas' },
  { path: `/rotas/${rota.id}`, here: 'Rotas' },
  { path: '/reach', here: 'How I am reached' },
  { path: '/undelivered', here: 'Undelivered messages' },
  { path: '/password' },
];

/** What of the masthead lies or scrolls outside the screen, and how much wider than it the page is. */
function misfits() {
  const inside = (box) => box.width > 0 && box.height > 0 && box.left >= 0 && box.right <= innerWidth;
  const out = [...document.querySelectorAll('.mast a, .mast button:not([hidden])')]
    .filter((element) => !inside(element.getBoundingClientRect()))
    .map((element) => element.textContent);
  const scrolled = [...document.querySelectorAll('.mast, .mast *:not(.unseen)')]
    .filter((element) => element.scrollWidth > element.clientWidth + 1 && getComputedStyle(element).display !== 'inline' && !element.closest('svg'))
    .map((element) => element.className || element.tagName);
  return { out, scrolled, wider: Math.max(0, document.documentElement.scrollWidth - innerWidth) };
}

for (const { path, here } of pages) {
  test(`${path.replace(/\d+/, 'N')} fits a phone`, async () => {
    for (const width of [390, 320]) {
      for (const javaScriptEnabled of [true, false]) {
        await withPage({ viewport: { width, height: 844 }, javaScriptEnabled }, async (page) => {
          await page.goto(path);
          assert.deepEqual(await page.evaluate(misfits), { out: [], scrolled: [], wider: 0 }, `${width} px, script ${javaScriptEnabled}`);
          const marked = page.locator('.nav [aria-current=page]');
          assert.deepEqual(await marked.allTextContents(), here ? [here] : []);
        });
      }
    }
  });
}

test('on a phone the keyboard goes through the navigation in its order and follows it, without script', async () => {
  await withPage({ viewport: { width: 390, height: 844 }, javaScriptEnabled: false }, async (page) => {
    await page.goto('/');
    const words = await page.locator('.nav a').allTextContents();
    await page.locator('.brand').focus();
    for (const word of words) {
      await page.keyboard.press('Tab');
      assert.equal(await page.evaluate(() => document.activeElement.textContent), word);
      assert.ok(await page.locator('.nav a:focus').evaluate((a) => getComputedStyle(a).outlineStyle === 'solid'));
    }
    await page.locator('.nav a', { hasText: 'Polling' }).focus();
    await page.keyboard.press('Enter');
    await page.waitForURL(/\/polling$/);
  });
});

test('the masthead of a phone stays as it is while the page comes alive', async () => {
  await withPage({ viewport: { width: 390, height: 844 } }, async (page) => {
    await page.addInitScript(() => {
      window.shifts = [];
      new PerformanceObserver((list) => window.shifts.push(...list.getEntries().map((entry) => entry.value))).observe({ type: 'layout-shift', buffered: true });
    });
    await page.goto('/alarms');
    const height = () => page.locator('.mast').evaluate((mast) => mast.getBoundingClientRect().height);
    const live = await height();
    assert.deepEqual(await page.evaluate(() => window.shifts.filter((value) => value > 0.001)), []);
    await page.locator('#theme').evaluate((button) => (button.hidden = true));
    assert.equal(await height(), live, 'the switch that a script shows takes no room of its own');
  });
});
