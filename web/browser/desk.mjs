// What the desk does to alarms, by keyboard alone, without script, on a desk and on a phone: acknowledged, shelved, put aside, handed over.
import assert from 'node:assert/strict';
import test from 'node:test';
import { sql, withPage } from './support.mjs';

/** Alarms and notes of these tests are known by it. */
const MARK = 'made by a browser test of the desk';

/** Raises an alarm as detection would, of a regulator and a condition that has none; returns what there is to know. */
async function raise() {
  const [row] = await sql(
    `with free as (
       select r.id, c from regulator r, unnest(array['wear_limit', 'exercise_due', 'overload', 'counter_anomaly']) c
       where r.retired_at is null and not exists (select from alarm_point p where p.condition = c and p.regulator_id = r.id)
       order by random() limit 1),
     point as (insert into alarm_point (condition, regulator_id, process) select c, id, 'unacknowledged' from free returning id, condition, regulator_id)
     insert into alarm (condition, regulator_id, priority, raised_at, summary, evidence, point_id)
     select condition, regulator_id, 1, now(), $1, '[]', id from point returning id, point_id, regulator_id`,
    [MARK],
  );
  await sql('update alarm_point set alarm_id = $1 where id = $2', [row.id, row.point_id]);
  await sql(`insert into alarm_transition (alarm_id, point_id, kind, at, process, holds) values ($1, $2, 'raised', now(), 'unacknowledged', '{}')`, [row.id, row.point_id]);
  return row;
}

/** Takes it away again, so that other tests see the demo as it is; while the demo calls people about it, if need be. */
async function clear({ id, point_id }) {
  const of = '(select id from notification where alarm_id = $1)';
  for (let tries = 0; ; tries += 1) {
    await sql('begin');
    try {
      await sql('lock table escalation, notification in exclusive mode');
      await sql('delete from note where alarm_id = $1', [id]);
      await sql(`delete from notification_attempt where notification_id in ${of}`, [id]);
      await sql('delete from notification where alarm_id = $1', [id]);
      await sql('update escalation set current_step = null where alarm_id = $1', [id]);
      await sql('delete from call_step where alarm_id = $1', [id]);
      await sql('delete from escalation where alarm_id = $1', [id]);
      await sql('delete from alarm_transition where point_id = $1', [point_id]);
      await sql('update alarm_point set alarm_id = null where id = $1', [point_id]);
      await sql('delete from alarm where point_id = $1', [point_id]);
      await sql('delete from alarm_point where id = $1', [point_id]);
      await sql('commit');
      return;
    } catch (error) {
      await sql('rollback');
      if (error.code !== '40P01' || tries === 5) throw error;
    }
  }
}

const stored = async ({ point_id }) => (await sql('select process, held, shelved_why, out_of_service_why, alarm_id from alarm_point where id = $1', [point_id]))[0];

/** Goes to a field, link or button by the Tab key, as someone without a mouse would. */
async function tabTo(page, locator) {
  const target = await locator.elementHandle();
  for (let i = 0; i < 200; i += 1) {
    if (await target.evaluate((element) => element === document.activeElement)) return;
    await page.keyboard.press('Tab');
  }
  assert.fail(`the keyboard does not reach ${locator}`);
}

for (const width of [1280, 390]) {
  for (const javaScriptEnabled of [true, false]) {
    const how = `at ${width} px, script ${javaScriptEnabled}`;
    const options = { viewport: { width, height: 844 }, javaScriptEnabled };

    test(`an alarm is acknowledged with a note by keyboard, ${how}`, async () => {
      const alarm = await raise();
      try {
        await withPage(options, async (page) => {
          await page.goto(`/alarms/${alarm.id}`);
          await tabTo(page, page.getByRole('textbox', { name: 'Note (optional)' }));
          await page.keyboard.type('crew sent');
          await tabTo(page, page.getByRole('button', { name: 'Acknowledge', exact: true }));
          await Promise.all([page.waitForURL(/done=acknowledged/), page.keyboard.press('Enter')]);
          assert.equal(await page.getByRole('status').first().textContent(), 'Acknowledged.');
          assert.ok((await page.locator('section:has(#h-ack)').textContent()).includes('“crew sent”'));
          assert.equal((await stored(alarm)).process, 'acknowledged');
        });
      } finally {
        await clear(alarm);
      }
    });

    test(`an alarm is shelved with a reason and taken off the shelf by keyboard, ${how}`, async () => {
      const alarm = await raise();
      try {
        await withPage(options, async (page) => {
          await page.goto(`/alarms/${alarm.id}`);
          await tabTo(page, page.locator('summary', { hasText: 'Shelve' }));
          await page.keyboard.press('Enter');
          await tabTo(page, page.locator('#shelve-reason'));
          await page.keyboard.type('known, crew on Monday');
          await tabTo(page, page.locator('#other'));
          await page.keyboard.type('forty minutes');
          await Promise.all([page.waitForLoadState('load'), page.waitForURL(/shelve$/), page.keyboard.press('Enter')]);
          const fault = page.locator('#other-fault');
          assert.match(await fault.textContent(), /“forty minutes” is not a length of time/);
          assert.equal(await page.locator('#shelve-reason').inputValue(), 'known, crew on Monday', 'what was typed is kept');
          await page.locator('#other').fill('40 min');
          await Promise.all([page.waitForURL(/done=shelved/), page.locator('#other').press('Enter')]);
          assert.ok((await page.locator('.held').textContent()).includes('known, crew on Monday'));
          assert.equal((await stored(alarm)).shelved_why, 'known, crew on Monday');
          await page.goto('/alarms?state=shelved');
          assert.equal(await page.locator(`#a${alarm.id}`).count(), 1);
          await page.goto(`/alarms?state=open&condition=`);
          assert.equal(await page.locator(`#a${alarm.id}`).count(), 0, 'it is not among the open ones');
          await page.goto(`/alarms/${alarm.id}`);
          await tabTo(page, page.getByRole('button', { name: 'Take it off the shelf' }));
          await Promise.all([page.waitForURL(/done=unshelved/), page.keyboard.press('Enter')]);
          assert.equal((await stored(alarm)).held, false);
        }, { refusals: true });
      } finally {
        await clear(alarm);
      }
    });

    test(`an alarm is taken out of service and put back by keyboard, ${how}`, async () => {
      const alarm = await raise();
      try {
        await withPage(options, async (page) => {
          await page.goto(`/alarms/${alarm.id}`);
          await tabTo(page, page.locator('summary', { hasText: 'out of service' }));
          await page.keyboard.press('Enter');
          await tabTo(page, page.locator('#out-reason'));
          await page.keyboard.type('counter is broken');
          await Promise.all([page.waitForURL(/done=taken-out/), page.keyboard.press('Enter')]);
          assert.equal((await stored(alarm)).out_of_service_why, 'counter is broken');
          await tabTo(page, page.getByRole('button', { name: 'Put it back into service' }));
          await Promise.all([page.waitForURL(/done=put-back/), page.keyboard.press('Enter')]);
          assert.equal((await stored(alarm)).held, false);
        });
      } finally {
        await clear(alarm);
      }
    });
  }
}

test('several alarms are ticked and acknowledged at once', async () => {
  const alarms = [await raise(), await raise()];
  try {
    await withPage({ javaScriptEnabled: false }, async (page) => {
      await page.goto('/alarms?priority=low&state=unacknowledged');
      for (const { id } of alarms) {
        await page.locator(`#a${id} input[type=checkbox]`).focus();
        await page.keyboard.press('Space');
      }
      await page.getByRole('textbox', { name: 'Note (optional)' }).fill('both seen');
      await page.getByRole('button', { name: 'Acknowledge what is ticked' }).click();
      await page.waitForURL(/done=several/);
      for (const { id } of alarms) assert.equal(await page.locator(`#a${id}`).count(), 0);
      for (const alarm of alarms) assert.equal((await stored(alarm)).process, 'acknowledged');
    });
  } finally {
    for (const alarm of alarms) await clear(alarm);
  }
});

test('a shift is handed over and its sheet can be read again', async () => {
  const alarm = await raise();
  const before = (await sql('select coalesce(max(id), 0) as id from handover'))[0].id;
  try {
    await withPage({ viewport: { width: 390, height: 844 }, javaScriptEnabled: false }, async (page) => {
      await page.goto('/handover');
      await tabTo(page, page.getByRole('textbox', { name: 'What the next shift must know' }));
      await page.keyboard.type(MARK);
      await tabTo(page, page.getByRole('button', { name: 'Hand over' }));
      await Promise.all([page.waitForURL(/\/handover\/\d+/), page.keyboard.press('Enter')]);
      assert.ok((await page.locator('main').textContent()).includes(MARK));
      await page.goto('/handover');
      assert.ok((await page.locator('section:has(#h-earlier)').textContent()).includes(MARK.slice(0, 30)));
      await page.emulateMedia({ media: 'print' });
      assert.equal(await page.locator('main form').first().isVisible(), false, 'no form on paper');
    });
  } finally {
    await sql('delete from handover where id > $1', [before]);
    await clear(alarm);
  }
});

test('maintenance is planned from the page of a site, and called off', async () => {
  const [site] = await sql('select s.id from site s join bank b on b.site_id = s.id join regulator r on r.bank_id = b.id where r.retired_at is null order by s.id desc limit 1');
  const before = (await sql('select coalesce(max(id), 0) as id from maintenance_window'))[0].id;
  try {
    await withPage({ viewport: { width: 390, height: 844 } }, async (page) => {
      await page.goto(`/site/${site.id}`);
      await page.getByRole('link', { name: 'Plan maintenance here' }).focus();
      await Promise.all([page.waitForURL(/\/windows\?scope=site/), page.keyboard.press('Enter')]);
      assert.equal(await page.locator('#scope').inputValue(), `site:${site.id}`);
      await page.locator('#to').fill('2020-01-01T08:00');
      await page.locator('#reason').fill('oil sample');
      await page.locator('#reason').press('Enter');
      assert.match(await page.locator('#to-fault').textContent(), /must end after it begins/);
      assert.equal(await page.locator('#reason').inputValue(), 'oil sample');
      const [day] = (await page.locator('#from').inputValue()).split('T');
      const year = Number(day.slice(0, 4)) + 1;
      await page.locator('#from').fill(`${year}${day.slice(4)}T08:00`);
      await page.locator('#to').fill(`${year}${day.slice(4)}T10:00`);
      await Promise.all([page.waitForURL(/done=planned/), page.locator('#reason').press('Enter')]);
      const [window] = await sql('select id, reason from maintenance_window where id > $1', [before]);
      assert.equal(window.reason, 'oil sample');
      await page.locator(`#w${window.id} button`).focus();
      await Promise.all([page.waitForURL(/done=ended/), page.keyboard.press('Enter')]);
      assert.ok((await page.locator(`#w${window.id}`).textContent()).includes('called off'));
    }, { refusals: true });
  } finally {
    await sql('delete from maintenance_window where id > $1', [before]);
  }
});
