// A reading that a poller writes reaches an open board: the cell changes, nothing else moves.
import assert from 'node:assert/strict';
import test from 'node:test';
import { sql, until, withPage } from './support.mjs';

/** Writes one reading as a poller does: reading, batch and notification in one transaction. */
async function write(regulator, volts) {
  const now = new Date();
  await sql('begin');
  try {
    await sql('select make_reading_partitions($1::date, $1::date)', [now]);
    await sql(
      `insert into reading (regulator_id, measured_at, load_voltage, set_voltage, bandwidth, quality) values ($1, $2, $3, 122, 2, '\\x01000000000000000000000001010000')`,
      [regulator, now, volts],
    );
    await sql('select pg_advisory_xact_lock(7205759)');
    // In the name of the poller that writes anyway: one that is never heard of again would be an alarm.
    const [last] = await sql('select poller, session_started_at, watermark from reading_batch order by id desc limit 1');
    const { poller, session_started_at: began, watermark } = last ?? { poller: 'browser test', session_started_at: now, watermark: now };
    await sql(
      `insert into reading_batch (poller, session_started_at, watermark, regulator_ids, measured_at) values ($1, $2, $3, array[$4::integer], array[$5::timestamptz])`,
      [poller, began, watermark, regulator, now],
    );
    await sql(`select pg_notify('reading_batch', '')`);
    await sql('commit');
  } catch (error) {
    await sql('rollback');
    throw error;
  }
  return now.getTime();
}

/** A regulator that polls nothing in this test, or any: its own readings may come between, so we wait for our instant. */
async function quietest() {
  const [row] = await sql(
    `select r.id from regulator r left join lateral (select measured_at from reading where regulator_id = r.id order by measured_at desc limit 1) l on true
      where r.retired_at is null order by l.measured_at nulls first, r.id limit 1`,
  );
  return row.id;
}

test('a written reading shows on an open board without reload or a move of any row', async () => {
  const regulator = await quietest();
  await withPage({}, async (page) => {
    await page.goto('/');
    await until(page, () => document.documentElement.dataset.live === 'yes');
    await page.evaluate(() => {
      window.still = true;
      window.order = [...document.querySelectorAll('#board tr[id]')].map((row) => row.id).join();
    });
    const places = () => page.locator('#board tr[id]').evaluateAll((rows) => rows.slice(0, 30).map((r) => `${r.id} ${r.getBoundingClientRect().top} ${r.getBoundingClientRect().height}`));
    const before = await places();
    const at = await write(regulator, 123.4);
    await until(page, ([id, at]) => Number(document.getElementById(`r${id}`).dataset.at) >= at, [regulator, at]);
    const row = await page.evaluate((id) => {
      const row = document.getElementById(`r${id}`);
      return { at: Number(row.dataset.at), volts: row.querySelector('.c-volts').textContent, marker: Number(row.querySelector('.at').getAttribute('x')) };
    }, regulator);
    if (row.at === at) {
      assert.equal(row.volts, '123.4\u00a0V');
      // 123.4 V on a 120 V base: (123.4/120 - 0.9) / 0.2 of the bar
      assert.ok(Math.abs(row.marker - 64.2) < 0.11, `${row.marker}`);
    }
    assert.equal(await page.evaluate(() => window.still), true, 'not reloaded');
    assert.equal(await page.evaluate(() => [...document.querySelectorAll('#board tr[id]')].map((r) => r.id).join() === window.order), true);
    const widths = (list) => list.map((p) => p.split(' ')[0]);
    assert.deepEqual(widths(await places()), widths(before));
  });
});

test('a change of state offers to sort again instead of sorting', async () => {
  const regulator = await quietest();
  await withPage({}, async (page) => {
    await write(regulator, 122);
    await page.goto('/');
    await until(page, () => document.documentElement.dataset.live === 'yes');
    const [alarm] = await sql(
      `insert into alarm (condition, regulator_id, priority, raised_at, summary, evidence) values ('tap_limit', $1, 4, now(), 'made by a browser test', '[]') returning id`,
      [regulator],
    );
    try {
      await until(page, (id) => document.getElementById(`r${id}`).dataset.state === 'critical', regulator);
      await page.locator('#resort').waitFor({ state: 'visible' });
      await page.locator('#resort').click();
      await until(page, (id) => document.querySelector('#board tr[id]')?.id === `r${id}`, regulator);
    } finally {
      await sql('delete from alarm where id = $1', [alarm.id]);
    }
  });
});

test('a lost connection is said and made good', async () => {
  await withPage({}, async (page) => {
    await page.goto('/');
    await until(page, () => document.documentElement.dataset.live === 'yes');
    const regulator = await quietest();
    await page.evaluate(() => {
      // As when a proxy drops the stream: the page hides, then shows, and must go on where it was.
      Object.defineProperty(document, 'hidden', { value: true, configurable: true });
      document.dispatchEvent(new Event('visibilitychange'));
    });
    const at = await write(regulator, 121.7);
    await page.evaluate(() => {
      Object.defineProperty(document, 'hidden', { value: false, configurable: true });
      document.dispatchEvent(new Event('visibilitychange'));
    });
    await until(page, ([id, at]) => Number(document.getElementById(`r${id}`).dataset.at) >= at, [regulator, at]);
  });
});
