#include "offline/live/live.h"
#include "offline/audio/audio_file.h"
#include "offline/check/apply_fixes.h"
#include "offline/live/jack_client.h"
#include "offline/live/screen.h"
#include "offline/live/session_watch.h"
#include "offline/live/terminal.h"
#include "offline/live/verdict.h"
#include "offline/live/writer.h"
#include "offline/session/strips.h"
#include "offline/util/errors.h"
#include "offline/util/printable.h"
#include <chrono>
#include <cstdio>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

using Clock = std::chrono::steady_clock;
using std::chrono::milliseconds;

constexpr milliseconds kPicture(40), kJsonLine(1'000), kLogLine(10'000); ///< from one to the next
/// Of new sound, for another look at a soundcheck; and a look may take this share of the time.
constexpr double kSoundcheckS = 5.0, kSoundcheckShare = 0.5;
constexpr double kOnDiskS = 1.0; ///< what was played so long ago is in the files
constexpr milliseconds kSoon(5); ///< what is due so soon is done now, rather than a picture later

/// The recordings of the session, where there are some already, say what rate it is made for.
void refuse_other_rate(const Session& session, int server_hz) {
    for (const auto& mic : session.mics) {
        const auto file = audio_path(session, mic);
        std::error_code ignored;
        if (!std::filesystem::is_regular_file(file, ignored)) continue;
        if (const int hz = AudioReader(file).info().rate_hz; hz != server_hz)
            throw bad_input(
                fmt::format("{}: its recordings are at {} Hz ({}), but the JACK server runs at {} Hz; "
                            "start the server with -r {}",
                            session.path.string(), hz, file.filename().string(), server_hz, hz));
    }
}

std::vector<std::string> names_of(const Session& session) {
    std::vector<std::string> out;
    for (const auto& mic : session.mics) out.push_back(mic.name);
    return out;
}

/// Everything that one run holds.
class Live {
public:
    explicit Live(const LiveRequest& request)
        : request_(request), session_(request.session), rate_hz_(checked_rate()),
          engine_(rate_hz_, mix_settings(session_), request.monitor), writer_(engine_), watch_(session_.path),
          terminal_(!request.json && Terminal::has_screen()) {
        for (const auto& name : names_of(session_))
            view_.mics.push_back({printable(name, Lines::one), {}, {}});
        if (request.learn) view_.soundcheck.emplace().mics.resize(session_.mics.size());
    }
    ~Live() { client_.stop(); } // before the engine goes

    void run() {
        client_.start(engine_, names_of(session_));
        tell_latency();
        tell(fmt::format("{} mics at {} Hz, {} samples a block, latency {} samples", session_.mics.size(),
                         rate_hz_, client_.block_frames(), engine_.latency()));
        for (const auto& notice : session_.notices) tell(notice);
        tell_what_is_off();
        if (request_.connect)
            for (const auto& notice : client_.connect()) tell(notice);
        if (request_.record) new_take();
        looked_ = Clock::now();
        while (!stop_ && !Terminal::asked_to_stop() && !client_.server_gone()) step();
        end();
    }

private:
    [[nodiscard]] int checked_rate() const {
        refuse_other_rate(session_, client_.rate_hz());
        return client_.rate_hz();
    }

    void tell_what_is_off() {
        for (const auto& mic : session_.mics)
            if (mic.bounce.bleed_reduction_db != 0.0)
                tell(mic.name + ": bleed reduction is off; only a bounce has the whole take in hand");
    }

    void tell(const std::string& said) {
        const auto message = printable(said, Lines::one);
        view_.messages.push_back(message);
        if (request_.json)
            put(json_lines(dsp::Json{{"kitfold_live", 1}, {"message", message}}) + '\n');
        else if (!Terminal::has_screen())
            put(message + '\n');
    }

    static void put(const std::string& text) {
        std::fputs(text.c_str(), stdout);
        std::fflush(stdout);
    }

    void step() {
        for (const char key : terminal_.wait(watch_.descriptor(), kPicture)) press(key);
        if (watch_.changed()) take_changes();
        if (take_waits_ && engine_.begin_take()) take_waits_ = false;
        if (engine_.latency() != told_latency_) tell_latency();
        for (const auto& take : writer_.finished_takes()) whole(take);
        if (const auto verdict = verdicts_.next(false)) hear(*verdict);
        if (request_.learn) listen_so_far();
        look();
    }

    void press(char key) {
        if (key == 'q') stop_ = true;
        if (key != '\n' && key != '\r' && key != 'm') return;
        if (!request_.record)
            tell("nothing is recorded; --record FOLDER does");
        else if (key == 'm')
            engine_.mark(), tell("marker");
        else if (!take_waits_)
            try_new_take();
    }

    /// A disk that says no ends no music.
    void try_new_take() {
        try {
            new_take();
        } catch (const std::exception& error) {
            tell(std::string("no new take: ") + line_for(error));
        }
    }

    void new_take() {
        auto take = std::make_unique<LiveTake>(*request_.record, session_, rate_hz_, request_.bits);
        present_take_ = take->folder();
        tell(present_take_.filename().string() + " is recorded in " + present_take_.string());
        writer_.expect(std::move(take));
        take_waits_ = !engine_.begin_take();
        listened_s_ = listening_s_ = 0.0;
        for (auto& mic : view_.mics) mic.meter.clipped = false;
    }

    /// What a person or a soundcheck wrote into the session's file.
    void take_changes() {
        try {
            auto news = load_session(session_.path);
            if (names_of(news) != names_of(session_))
                throw bad_input(
                    session_.path.string() +
                    ": its mics are others now, or in another order; stop and start again for that");
            engine_.move_to(mix_settings(news));
            session_ = std::move(news);
            tell("the session was changed and glides in");
            tell_what_is_off();
            keep_take_session();
        } catch (const std::exception& error) {
            tell(std::string("refused, the former session plays on: ") + line_for(error));
        }
    }

    void keep_take_session() {
        try {
            if (!present_take_.empty()) save_take_session(session_, present_take_);
        } catch (const std::exception& error) {
            tell(line_for(error));
        }
    }

    void tell_latency() {
        told_latency_ = engine_.latency();
        client_.tell_latency();
    }

    void whole(const std::filesystem::path& take) {
        if (request_.check || request_.learn) verdicts_.ask(take);
    }

    void listen_so_far() {
        if (verdicts_.busy() || view_.take.empty() || view_.take != present_take_.filename().string()) return;
        const double seconds = view_.take_s - kOnDiskS;
        if (seconds - listened_s_ < std::max(kSoundcheckS, listening_s_ / kSoundcheckShare)) return;
        verdicts_.ask_so_far(present_take_, listened_s_ = seconds);
    }

    void hear(const TakeVerdict& verdict) {
        if (verdict.result && request_.learn) view_.soundcheck = soundcheck_of(*verdict.result);
        if (!verdict.whole) {
            listening_s_ = std::max(view_.take_s - kOnDiskS - listened_s_, 0.0);
            return;
        }
        tell(verdict.line);
        if (!request_.learn || !verdict.result) return;
        try {
            if (verdict.result->names_exchanged())
                return tell("nothing was learned: put the two mics right first");
            const auto backup = apply_fixes(session_, *verdict.result);
            tell(backup ? "learned: written into " + session_.path.string() + "; the old file is " +
                              backup->string()
                        : "learned: the session needs no change");
        } catch (const std::exception& error) {
            tell(std::string("nothing was learned: ") + line_for(error));
        }
    }

    /// Meters move at every look; what they show is put out as often as somebody can read it.
    void look() {
        const auto now = Clock::now();
        if (now - looked_ < kPicture - kSoon) return;
        const double seconds = std::chrono::duration<double>(now - looked_).count();
        looked_ = now;
        update_view(seconds);
        const auto pause = request_.json ? kJsonLine : Terminal::has_screen() ? kPicture : kLogLine;
        if (now - shown_ < pause - kSoon) return;
        shown_ = now;
        show();
    }

    void show() {
        if (request_.json)
            put(json_lines(status_json(view_)) + '\n');
        else if (Terminal::has_screen())
            terminal_.show(screen_text(view_));
        else
            put(status_line(view_));
    }

    void update_view(double seconds) {
        view_.counts = writer_.look();
        const auto& counts = view_.counts;
        const auto open = engine_.take_open();
        for (std::size_t m = 0; m < view_.mics.size(); ++m) {
            view_.mics[m].meter.add(counts.peaks[m], seconds);
            view_.mics[m].open.reset();
            if (session_.mics[m].gate) view_.mics[m].open = (open >> m & 1u) != 0;
        }
        for (std::size_t t = 0; t < 2; ++t) view_.tracks[t].add(counts.track_peaks[t], seconds);
        view_.seconds = double(engine_.frames()) / rate_hz_;
        view_.take = counts.take, view_.take_s = double(counts.take_frames) / rate_hz_;
        view_.reduction_db.reset();
        if (session_.bus) view_.reduction_db = engine_.take_reduction_db();
        view_.loudness_lufs = counts.loudness_lufs;
        view_.times = client_.times();
        view_.block_us = 1e6 * client_.block_frames() / rate_hz_;
        view_.disk_left_s = disk_left_s();
        if (!counts.trouble.empty() && counts.trouble != told_trouble_)
            tell(told_trouble_ = counts.trouble), present_take_.clear();
    }

    [[nodiscard]] std::optional<double> disk_left_s() const {
        if (!request_.record) return std::nullopt;
        std::error_code error;
        const auto space = std::filesystem::space(*request_.record, error);
        if (error) return std::nullopt;
        return double(space.available) / (double(session_.mics.size() + 2) * request_.bits / 8 * rate_hz_);
    }

    void end() {
        const bool gone = client_.server_gone();
        client_.stop();
        writer_.finish();
        for (const auto& take : writer_.finished_takes()) whole(take);
        if ((request_.check || request_.learn) && !present_take_.empty()) tell("the take is being checked");
        update_view(0.0);
        show();
        while (const auto verdict = verdicts_.next(true)) hear(*verdict), show();
        if (gone) throw io_failed("the JACK server stopped; what was recorded until then is whole");
    }

    const LiveRequest& request_;
    JackClient client_;
    Session session_;
    int rate_hz_;
    LiveEngine engine_;
    LiveWriter writer_;
    SessionWatch watch_;
    Terminal terminal_;
    TakeChecks verdicts_;
    LiveView view_;
    std::filesystem::path present_take_; ///< empty: none
    bool take_waits_ = false, stop_ = false;
    double listened_s_ = 0.0, listening_s_ = 0.0; ///< of the take, to a soundcheck; what that took
    std::size_t told_latency_ = 0;
    std::string told_trouble_;
    Clock::time_point looked_, shown_;
};

} // namespace

void live(const LiveRequest& request) { Live(request).run(); }

} // namespace kitfold::offline
