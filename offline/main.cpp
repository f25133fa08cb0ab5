#include <CLI/CLI.hpp>

int main(int argc, char** argv) {
    CLI::App app{"Folds the microphones of a drum kit down to two tracks"};
    app.set_version_flag("--version", KITFOLD_VERSION);
    CLI11_PARSE(app, argc, argv);
    return 0;
}
